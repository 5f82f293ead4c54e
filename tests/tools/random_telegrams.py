#!/usr/bin/env python3
"""Random read-outs with damage and garbage between, made by the written rules alone, against what `nightwatt decode` says.

Usage: random_telegrams.py NIGHTWATT [ROUNDS] [SEED]

DSMR P1 5.0.2 and 2.2, IEC 62056-21 with its data block (6.3) and without: made here from the documents, sharing nothing
with the decoder. Each good telegram must be a reading with exactly its figures; a damaged one must be none.
"""

import json
import random
import subprocess
import sys
import tempfile
from decimal import Decimal
from pathlib import Path


def crc_arc(data):
    """Companion standard P1 5.0.2, 6.2: x16 + x15 + x2 + 1, least significant bit first, start 0."""
    crc = 0
    for byte in data:
        for bit in range(8):
            take = ((byte >> bit) & 1) ^ (crc & 1)
            crc = (crc >> 1) ^ (0xA001 if take else 0)
    return crc


def exclusive_or(data):
    """ISO 1155 as IEC 62056-21 uses it."""
    total = 0
    for byte in data:
        total ^= byte
    return total


def even_parity(data):
    return bytes(b | 0x80 if bin(b).count("1") % 2 else b for b in data)


class Source:
    def __init__(self, seed):
        self.random = random.Random(seed)

    def fixed(self, before, behind):
        """A number with so many digits; its text."""
        top = 10 ** (before + behind) - 1
        if self.random.random() < 0.5:
            top = min(top, 10 ** self.random.randint(1, before + behind))
        digits = str(self.random.randint(0, top)).zfill(before + behind)
        return digits[:before] + ("." + digits[before:] if behind else "")

    def noise(self, most):
        return bytes(self.random.randrange(256) for _ in range(self.random.randint(0, most)))

    def hex_text(self, most):
        return "".join(self.random.choice("0123456789ABCDEF") for _ in range(2 * self.random.randint(0, most)))

    def stamp(self):
        r = self.random
        return "%02d%02d%02d%02d%02d%02d%s" % (r.randint(20, 40), r.randint(1, 12), r.randint(1, 28), r.randint(0, 23),
                                               r.randint(0, 59), r.randint(0, 59), r.choice("SW"))


def kilo(text):
    return Decimal(text) * 1000


def registers(source, old):
    """Lines of a P1 telegram and what they mean."""
    r = source.random
    lines, truth = [], {}
    tariffs = r.randint(1, 2 if old else 4)
    for group, name in ((1, "energy_wh"), (2, "energy_export_wh")):
        texts = [source.fixed(5 if old else 6, 3) for _ in range(tariffs)]
        lines += ["1-0:%d.8.%d(%s*kWh)" % (group, i + 1, text) for i, text in enumerate(texts)]
        truth[name] = sum(kilo(text) for text in texts)
    taken, given = source.fixed(4 if old else 2, 2 if old else 3), source.fixed(4 if old else 2, 2 if old else 3)
    if r.random() < 0.7:
        given = "0" * given.index(".") + "." + "0" * (len(given) - given.index(".") - 1)
    lines += ["1-0:1.7.0(%s*kW)" % taken, "1-0:2.7.0(%s*kW)" % given]
    truth["power_w"] = kilo(taken) - kilo(given)
    if not old:
        volts, amperes = source.fixed(3, 1), source.fixed(3, r.choice([0, 2]))
        lines += ["1-0:32.7.0(%s*V)" % volts, "1-0:31.7.0(%s*A)" % amperes, "1-0:52.7.0(%s*V)" % source.fixed(3, 1),
                  "1-0:21.7.0(%s*kW)" % source.fixed(2, 3), "1-0:22.7.0(%s*kW)" % source.fixed(2, 3)]
        truth["voltage_v"], truth["current_a"] = Decimal(volts), Decimal(amperes)
        events = r.randint(0, 10)
        lines.append("1-0:99.97.0(%d)(0-0:96.7.19)" % events + "".join("(%s)(%010d*s)" % (source.stamp(), r.randint(0, 9999)) for _ in range(events)))
        lines.append("0-0:96.13.0(%s)" % source.hex_text(1024))
    lines += ["0-0:96.14.0(000%d)" % r.randint(1, 2), "0-0:96.1.1(%s)" % source.hex_text(17)]
    for channel in range(1, r.randint(0, 4) + 1):
        lines.append("0-%d:24.1.0(%03d)" % (channel, r.randint(2, 12)))
        lines.append("0-%d:24.2.1(%s)(%s*%s)" % (channel, source.stamp(), source.fixed(5, 3), r.choice(["m3", "GJ", "kWh"])))
    r.shuffle(lines)
    return lines, truth


def p1(source):
    lines, truth = registers(source, False)
    version = source.random.choice(["1-3:0.2.8(50)", "1-3:0.2.8(42)", "0-0:96.1.4(50217)"])
    body = ("/SKP5\\%s\r\n\r\n%s\r\n" % (source.hex_text(6), version) + "".join(line + "\r\n" for line in lines) + "!").encode()
    return body + ("%04X\r\n" % crc_arc(body)).encode(), truth


def old_p1(source, kept):
    """The same lines in every telegram, as such a meter has them."""
    if not kept:
        kept.append([line.split("(")[0] for line in registers(source, True)[0]])
    while True:
        lines, truth = registers(source, True)
        if sorted(line.split("(")[0] for line in lines) == sorted(kept[0]):
            break
    by_name = {line.split("(")[0]: line for line in lines}
    return even_parity(("/SKP3SKERRY\r\n\r\n" + "".join(by_name[name] + "\r\n" for name in kept[0]) + "!\r\n").encode()), truth


def block(source):
    """A dialogue: request, identification, acknowledgement, data block; 7E1 half of the time."""
    r = source.random
    energy, power, back = source.fixed(6, 3), source.fixed(3, 3), source.fixed(3, 3)
    sets = ["1.8.0(%s*kWh)" % energy, "1.7.0(%s*kW)" % power, "2.7.0(%s*kW)" % back, "0.0.0(%s)" % source.hex_text(4),
            "F.F(%s)" % ("0" * r.randint(1, 8)), "1.6.1(%s*kW)(%s)" % (source.fixed(2, 3), source.stamp()[:10]),
            "1.8.0*%02d(%s*kWh)" % (r.randint(1, 15), source.fixed(6, 3)), "C.1.0()", "0.2.1(1)(2)(3)"]
    r.shuffle(sets)
    text, open_line = "", False
    for one in sets:
        text += one
        open_line = r.random() < 0.3
        text += "" if open_line else "\r\n"
    text += ("\r\n" if open_line else "") + "!\r\n\x03"
    data = b"\x02" + text.encode() + bytes([exclusive_or(text.encode())])
    whole = b"/?!\r\n/SKP5SKERRY\r\n\x06050\r\n" + data
    truth = {"energy_wh": kilo(energy), "power_w": kilo(power) - kilo(back)}
    return (even_parity(whole) if r.random() < 0.5 else whole), truth


def damaged(source, frame):
    """One bit, a piece cut out, or its end gone; never so that the figures could still be believed by rule."""
    r = source.random
    kind = r.randrange(3)
    if kind == 0:
        at = r.randrange(30, len(frame) - 8)
        return frame[:at] + bytes([frame[at] ^ (1 << r.randrange(8))]) + frame[at + 1:]
    if kind == 1:
        at = r.randrange(30, len(frame) - 20)
        return frame[:at] + frame[at + r.randint(1, 12):]
    return frame[: r.randrange(30, len(frame) - 8)]


def stream(source, make, checked, rounds):
    data, truths, spoilt = b"", [], []
    for _ in range(rounds):
        frame, truth = make(source)
        fate = source.random.random()
        if fate < 0.15:
            spoilt.append((len(data), truth))
            data += damaged(source, frame)
        elif fate < 0.30 and checked:
            data += source.noise(400)
            truths.append((len(data), truth))
            data += frame
        else:
            truths.append((len(data), truth))
            data += frame
    return data, truths, spoilt


def decode(program, profile, data, folder):
    capture = Path(folder) / "capture"
    capture.write_bytes(data)
    done = subprocess.run([program, "decode", str(capture), "--profile", str(profile), "--json"], capture_output=True, text=True)
    return [json.loads(line, parse_float=Decimal, parse_int=Decimal) for line in done.stdout.splitlines()], done.stderr


def compare(name, readings, truths, spoilt):
    """(good telegrams without their reading, wrong figures, readings out of damaged ones)"""
    figures = lambda one: {key: value for key, value in one.items() if key != "at_byte"}
    got = [figures(reading) for reading in readings]
    at, missed, wrong = 0, 0, 0
    wanted = [truth for _, truth in truths]
    for truth in wanted:
        if truth in got[at:]:
            at = got.index(truth, at) + 1
        else:
            missed += 1
    known = wanted + [truth for _, truth in spoilt]
    wrong = sum(1 for one in got if one not in known)
    of_damaged = sum(1 for one in got if one in [truth for _, truth in spoilt] and one not in wanted)
    print("%-28s %4d good, %4d damaged: %4d readings, %d missed, %d wrong, %d of damaged ones with their true figures"
          % (name, len(truths), len(spoilt), len(got), missed, wrong, of_damaged))
    return missed, wrong


def main():
    program = sys.argv[1]
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 20260105
    failed = False
    with tempfile.TemporaryDirectory() as folder:
        profiles = {}
        for name, text in (("p1", 'protocol = "dsmr-p1"\n'), ("head", 'protocol = "iec62056-21"\n')):
            profiles[name] = Path(folder) / (name + ".toml")
            profiles[name].write_text(text)
        kept = []
        cases = [("P1, with its check", "p1", p1, True), ("P1 of version 2.2, 7E1", "p1", lambda s: old_p1(s, kept), False),
                 ("62056-21, data blocks", "head", block, True)]
        for name, profile, make, checked in cases:
            source = Source("%d %s" % (seed, name))
            data, truths, spoilt = stream(source, make, checked, rounds)
            readings, _ = decode(program, profiles[profile], data, folder)
            missed, wrong = compare(name, readings, truths, spoilt)
            failed = failed or missed > 0 or wrong > 0
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
