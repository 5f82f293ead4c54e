"""Readings of a Nightwatt store in Python, by SQL and without the programs: docs/format.md as code.

    for time_s, values in readings("nightwatt.db", run=12):
        print(time_s, values["power_w"])

Times are Unix seconds of the record (see `shift` in docs/format.md); values are decimal.Decimal, digit for digit what the
meter gave. The store may be in use: SQLite gives a whole view of it. Needs the module zstandard (Debian's
python3-zstandard) or the program zstd.
"""

import shutil
import sqlite3
import struct
import subprocess
import sys
from decimal import Decimal

COLUMNS = ("power_w", "voltage_v", "current_a", "power_factor", "frequency_hz", "energy_wh", "energy_export_wh",
           "apparent_va", "reactive_var")
UNITS_US = (1_000_000, 1_000, 1)  # of a block's times: s, ms, us
GRID = 65_536  # a grid's step is told in parts of a unit
FAR_US = 1 << 62  # where an open run ends

try:
    import zstandard
except ImportError:
    zstandard = None


def unpack_zstandard(frame):
    if zstandard is not None:
        return zstandard.ZstdDecompressor().decompress(frame, max_output_size=1 << 26)
    if shutil.which("zstd") is None:
        raise RuntimeError("neither the module zstandard nor the program zstd is here")
    return subprocess.run(["zstd", "-dcq"], input=frame, capture_output=True, check=True).stdout


class Bytes:
    """Takes numbers off the front of some bytes."""

    def __init__(self, data):
        self.data, self.at = bytes(data), 0

    def take(self, count):
        self.at += count
        return self.data[self.at - count:self.at]

    def byte(self):
        return self.take(1)[0]

    def varint(self):
        value = shift = 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def signed(self):
        return unzigzag(self.varint())

    def packed(self, size):
        frame = self.varint()
        return self.take(size) if frame == 0 else unpack_zstandard(self.take(frame))

    def planes(self, count, width):
        data = self.packed(count * width)
        return [sum(data[plane * count + i] << (8 * plane) for plane in range(width)) for i in range(count)]

    def column(self, count):
        how = self.byte()
        if how == 0:
            return [self.signed()] * count
        if how == 1:
            lowest, width = self.signed(), self.byte()
            return [wrapped(lowest + number) for number in self.planes(count, width)]
        if how == 2:
            values, width = [self.signed()], self.byte()
            for number in self.planes(count - 1, width):
                values.append(wrapped(values[-1] + unzigzag(number)))
            return values
        if how == 3:
            return self.byte_runs(count)
        return self.guessed(count) if how == 4 else self.runs(count)

    def guessed(self, count):
        first, unit, level, step, shift = self.signed(), self.varint(), self.signed(), self.signed(), self.byte()
        moves = shift != 15
        shift = shift if moves else 0
        level, values = wrapped(level << shift), []
        for distance in self.coded(count, lambda: level >> shift - 2 & 3 if shift >= 2 else 0):
            number = wrapped((level >> shift) + step + unzigzag(distance))
            if moves:
                level = wrapped(level + number - (level >> shift))
            values.append(wrapped(first + number * unit))
        return values

    def tokens_by_slot(self):
        """(token, where its part begins, how wide that is) for each of the 4096 slots."""
        slots, size, token = [], self.varint(), 0
        while token < size:
            part = self.varint()
            if part == 0:
                token += self.varint()
            slots += [(token, len(slots), part)] * part
            token += 1
        return slots

    def coded(self, count, quarter):
        """Range asymmetric numeral systems, see "code" in docs/format.md; one number after the other.

        `quarter`: where the mean lies by then.
        """
        contexts = self.byte()
        slots = [self.tokens_by_slot() for _ in range(contexts)]
        size = self.varint()
        words = iter(struct.unpack(f"<{size}H", self.take(2 * size)))
        size = self.varint()
        digits, at = self.take(size), 0
        state = next(words) << 16
        state |= next(words)
        before = 0
        context_of = {1: lambda: 0, 4: quarter, 6: lambda: min(before.bit_length(), 5)}[contexts]
        for _ in range(count):
            rest = state % 4096
            token, begin, width = slots[context_of()][rest]
            state = width * (state // 4096) + rest - begin
            if state < 65536:
                state = state << 16 | next(words)
            bits = 0 if token < 16 else token // 8 - 1
            behind = int.from_bytes(digits[at // 8:at // 8 + 9], "little") >> at % 8
            before = (token - 8 * bits << bits) + (behind & ((1 << bits) - 1))
            at += bits
            yield before
        if state != 65536 or (at + 7) // 8 != size or next(words, None) is not None:
            raise ValueError("a damaged column")

    def runs(self, count):
        value, changes = self.signed(), self.varint()
        lengths, steps = self.column(changes), self.column(changes)
        values = []
        for length, step in zip(lengths, steps):
            values += [value] * (length + 1)
            value = wrapped(value + step)
        return values + [value] * (count - len(values))

    def byte_runs(self, count):
        value, changes = self.signed(), self.varint()
        width_1, width_2 = self.byte(), self.byte()
        lengths = self.planes(changes, width_1)
        values = []
        for length, step in zip(lengths, self.planes(changes, width_2)):
            values += [value] * (length + 1)
            value = wrapped(value + unzigzag(step))
        return values + [value] * (count - len(values))


def unzigzag(number):
    return (number >> 1) ^ -(number & 1)


def wrapped(number):
    """Sums of values are taken modulo 2^64."""
    return (number + (1 << 63)) % (1 << 64) - (1 << 63)


def block_times(data, count):
    first, unit = data.signed(), UNITS_US[data.byte()]
    if count == 1:
        return [first]
    if data.byte() == 0:
        usual = data.signed()
        steps = [usual + step for step in data.column(count - 1)]
        times = [first]
        for step in steps:
            times.append(times[-1] + step * unit)
        return times
    step, line, times = data.signed(), 0, [first]
    passed, off = data.column(count - 1), data.column(count - 1)
    for lines, away in zip(passed, off):
        line += lines + 1
        times.append(first + (line * step // GRID + away) * unit)
    return times


def block_column(data, count):
    flags, lowest = data.byte(), data.signed()
    present = data.column(count) if flags & 1 else [1] * count
    there = sum(present)
    exponents = [lowest + more for more in data.column(there)] if flags & 2 else [lowest] * there
    values = []
    for mantissa, exponent in zip(data.column(there), exponents):
        if flags & 2 and not flags & 4:  # brought to the lowest exponent
            mantissa //= 10 ** (exponent - lowest)
        values.append(Decimal(mantissa).scaleb(exponent))
    found = iter(values)
    return [next(found) if here else None for here in present]


def block_readings(blob):
    data = Bytes(blob)
    if data.byte() not in (1, 2):
        raise ValueError("a block of an unknown form")
    count = data.varint()
    times = block_times(data, count)
    carried = data.varint()
    columns = {name: block_column(data, count) for bit, name in enumerate(COLUMNS) if carried >> bit & 1}
    for i, time in enumerate(times):
        yield time, {name: column[i] for name, column in columns.items() if column[i] is not None}


def tail_readings(blob):
    data, step, form, last = Bytes(blob), 0, [], {}
    time = data.signed()
    while data.at < len(data.data):
        head = data.varint()
        step += unzigzag(head >> 1)
        time += step
        if head & 1:
            carried = data.varint()
            form = [(name, data.signed()) for bit, name in enumerate(COLUMNS) if carried >> bit & 1]
        values = {}
        for name, exponent in form:
            last[name] = wrapped(last.get(name, 0) + data.signed())
            values[name] = Decimal(last[name]).scaleb(exponent)
        yield time, values


def stream_readings(store, stream, begin_us, end_us):
    blocks = store.execute(
        "SELECT bytes FROM block JOIN block_data ON block_data.id = block.data "
        "WHERE stream = ? AND last_us >= ? AND first_us <= ? ORDER BY first_us", (stream, begin_us, end_us))
    for (blob,) in blocks:
        yield from block_readings(blob)
    for (blob,) in store.execute("SELECT bytes FROM tail WHERE stream = ? ORDER BY id", (stream,)):
        yield from tail_readings(blob)


def readings(path, run):
    """(Unix seconds, {column: value}) of each reading of a run, in order."""
    store = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        store.execute("BEGIN")
        if store.execute("PRAGMA user_version").fetchone()[0] > 8:
            raise ValueError("the store is of a newer version than this decoder")
        found = store.execute("SELECT stream, begin_us, end_us FROM run WHERE id = ?", (run,)).fetchone()
        if found is None or found[0] is None:
            raise ValueError(f"run {run} is not there, or was entered by hand")
        stream, begin_us, end_us = found[0], found[1], FAR_US if found[2] is None else found[2]
        for time_us, values in stream_readings(store, stream, begin_us, end_us):
            if begin_us <= time_us <= end_us:
                yield time_us / 1_000_000, values
    finally:
        store.close()


if __name__ == "__main__":
    for time_s, values in readings(sys.argv[1], int(sys.argv[2])):
        print(time_s, *(f"{name}={value}" for name, value in values.items()))
