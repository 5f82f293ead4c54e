#!/usr/bin/env python3
"""The simulated SCPI instrument asked by an independent client: PyVISA with its pure Python backend (Debian's
python3-pyvisa-py), over the pseudo-terminal. Usage: scpi_client_test.py NIGHTWATT_SIM PROFILE. 77 where PyVISA is not there.

What an unknown header does, and the form of numbers and errors, is SCPI-99 and IEEE 488.2; the client knows nothing of us.
"""

import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

try:
    import pyvisa
    import pyvisa_py  # noqa: F401
    import serial  # noqa: F401
except ImportError:
    print("SKIPPED: PyVISA is not installed (python3-pyvisa-py, python3-serial)")
    sys.exit(77)


def main():
    program, profile = sys.argv[1:3]
    with tempfile.TemporaryDirectory() as folder:
        script, link = Path(folder) / "script.sim", Path(folder) / "port"
        script.write_text("voltage 230\nlevel 25 for 1h\n")
        meter = subprocess.Popen([program, "--profile", profile, "--script", str(script), "--link", str(link)])
        try:
            until = time.monotonic() + 10
            while not link.is_symlink() and time.monotonic() < until:
                time.sleep(0.01)
            instrument = pyvisa.ResourceManager("@py").open_resource(
                "ASRL%s::INSTR" % link.resolve(), read_termination="\r\n", write_termination="\n", timeout=300)
            instrument.write("*CLS")
            assert len(instrument.query("*IDN?").split(",")) == 4, "*IDN? has four fields"
            power = instrument.query_ascii_values("MEAS:POW?")
            assert power == [25.0], power
            try:
                raise AssertionError("an answer to a header that is not there: " + instrument.query("MEAS:NOTHING?"))
            except pyvisa.errors.VisaIOError as error:
                assert error.error_code == pyvisa.constants.StatusCode.error_timeout, error
            number, text = re.fullmatch(r'(-?\d+),"(.*)"', instrument.query("SYST:ERR?")).groups()
            assert number == "-113" and text.startswith("Undefined header"), (number, text)
            assert instrument.query("SYST:ERR?") == '0,"No error"'
            print("PyVISA %s: identity, %s W, an unknown header and the error queue, as SCPI-99 has them" % (pyvisa.__version__, power[0]))
        finally:
            meter.terminate()
            meter.wait()
    return 0


if __name__ == "__main__":
    sys.exit(main())
