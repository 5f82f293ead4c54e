#!/usr/bin/env python3
"""What udev itself makes of the package's rules, on devices that umockdev (Debian) stands in for: udev_rules_test.py RULES

Skips where Debian's udev or umockdev is not, or where no file system of the test's own can be made for the rules."""
import os
import re
import subprocess
import sys
import tempfile

SKIPPED = 77  # what ctest is told

# Two adapters of one maker on one chip each, a meter that shows itself as a modem, and an instrument. Paths and attributes are laid out
# as the kernel's usb-serial, cdc_acm and usbtmc drivers have them.
DEVICES = """\
P: /devices/usb1/1-1
E: SUBSYSTEM=usb
E: DEVTYPE=usb_device
A: idVendor=1a2b
A: idProduct=3c4d

P: /devices/usb1/1-1/1-1:1.0/ttyUSB0
E: SUBSYSTEM=usb-serial
L: driver=../../../../../bus/usb-serial/drivers/ftdi_sio
A: latency_timer=16

P: /devices/usb1/1-1/1-1:1.0/ttyUSB0/tty/ttyUSB0
N: ttyUSB0
E: SUBSYSTEM=tty
E: DEVNAME=/dev/ttyUSB0
E: MAJOR=188
E: MINOR=0
E: ID_PATH=pci-0000:00:14.0-usb-0:1.2:1.0

P: /devices/usb1/1-1/1-1:1.1/ttyUSB1
E: SUBSYSTEM=usb-serial
L: driver=../../../../../bus/usb-serial/drivers/cp210x
A: latency_timer=16

P: /devices/usb1/1-1/1-1:1.1/ttyUSB1/tty/ttyUSB1
N: ttyUSB1
E: SUBSYSTEM=tty
E: DEVNAME=/dev/ttyUSB1
E: MAJOR=188
E: MINOR=1

P: /devices/usb1/1-1/1-1:1.2
E: SUBSYSTEM=usb
E: DEVTYPE=usb_interface
L: driver=../../../../bus/usb/drivers/cdc_acm

P: /devices/usb1/1-1/1-1:1.2/tty/ttyACM0
N: ttyACM0
E: SUBSYSTEM=tty
E: DEVNAME=/dev/ttyACM0
E: MAJOR=166
E: MINOR=0

P: /devices/usb1/1-1/1-1:1.3/usbmisc/usbtmc0
N: usbtmc0
E: SUBSYSTEM=usbmisc
E: DEVNAME=/dev/usbtmc0
E: MAJOR=180
E: MINOR=176

P: /devices/usb1/1-1/1-1:1.4/usbmisc/hiddev0
N: hiddev0
E: SUBSYSTEM=usbmisc
E: DEVNAME=/dev/hiddev0
E: MAJOR=180
E: MINOR=96
"""
ADAPTER = "/devices/usb1/1-1/1-1:1.0/ttyUSB0"
OTHER_ADAPTER = "/devices/usb1/1-1/1-1:1.1/ttyUSB1"
ADAPTER_PORT = ADAPTER + "/tty/ttyUSB0"
OTHER_PORT = OTHER_ADAPTER + "/tty/ttyUSB1"
MODEM = "/devices/usb1/1-1/1-1:1.2/tty/ttyACM0"
INSTRUMENT = "/devices/usb1/1-1/1-1:1.3/usbmisc/usbtmc0"
KEYBOARD = "/devices/usb1/1-1/1-1:1.4/usbmisc/hiddev0"
ASKED = [ADAPTER, OTHER_ADAPTER, ADAPTER_PORT, OTHER_PORT, MODEM, INSTRUMENT, KEYBOARD]


def skip(why):
    print(f"SKIPPED: {why}; nothing was tested", file=sys.stderr)
    sys.exit(SKIPPED)


def what_udev_does(rules):
    """For each device, all that udevadm says of its arrival under these rules alone."""
    with tempfile.TemporaryDirectory() as folder:
        for name in ("rules", "none"):
            os.mkdir(f"{folder}/{name}")
        with open(f"{folder}/rules/60-nightwatt.rules", "w") as file:
            file.write(rules)
        with open(f"{folder}/devices", "w") as file:
            file.write(DEVICES)
        asking = "; ".join(f"echo ASKED {path}; udevadm --debug test --action=add /sys{path} 2>&1" for path in ASKED)
        # udevadm looks in the system's folders alone: in a name space of its own these are ours.
        script = (f"mount --bind {folder}/rules /lib/udev/rules.d && mount --bind {folder}/none /etc/udev/rules.d || exit {SKIPPED}\n"
                  f"exec umockdev-run -d {folder}/devices -- sh -c '{asking}'\n")
        space = ["unshare", "--mount"] if os.geteuid() == 0 else ["unshare", "--mount", "--map-root-user"]
        done = subprocess.run([*space, "sh", "-c", script], capture_output=True, text=True, timeout=60)
    parts = re.split(r"^ASKED (\S+)$", done.stdout, flags=re.M)
    if len(parts) == 1:
        skip(f"no name space for the rules: {done.stderr.strip()[-200:]}")
    return dict(zip(parts[1::2], parts[2::2]))


def main():
    for program in ("udevadm", "umockdev-run", "unshare"):
        if not any(os.access(f"{place}/{program}", os.X_OK) for place in ("/usr/bin", "/bin", "/usr/sbin", "/sbin")):
            skip(f"{program} is not here (Debian: udev, umockdev)")
    with open(sys.argv[1]) as file:
        rules = file.read()
    bad = []

    def expect(what, holds):
        print(("ok      " if holds else "NOT OK  ") + what)
        if not holds:
            bad.append(what)

    said = what_udev_does(rules)
    expect("udev reads every line of the rules", not re.search(r"60-nightwatt\.rules:\d+ (Invalid|Unknown|Failed)", "".join(said.values())))
    expect("an FTDI chip is told to wait 1 ms", "latency_timer' writing '1'" in said[ADAPTER])
    expect("no other chip is told so", "writing" not in said[OTHER_ADAPTER])
    for port in (ADAPTER_PORT, OTHER_PORT):
        expect(f"{port[-7:]} is left alone by modem daemons", "\nID_MM_PORT_IGNORE=1\n" in said[port])
    expect("a modem is not kept from them", "ID_MM" not in said[MODEM])
    group = re.search(r"^dialout:[^:]*:(\d+):", open("/etc/group").read(), re.M)
    expect("an instrument is the serial ports' group's", bool(group) and f"GROUP {group[1]}\n" in said[INSTRUMENT])
    expect("the group may write to it, others nothing", "MODE 0660\n" in said[INSTRUMENT])
    expect("nothing else on USB is given away", "GROUP" not in said[KEYBOARD] and "MODE" not in said[KEYBOARD])

    # The comments are to be copied: as they stand, with the ids and the socket of these devices.
    examples = re.sub(r'^# (SUBSYSTEM=="tty")', r"\1", rules, flags=re.M)
    expect("the rules have examples to copy", examples != rules)
    said = what_udev_does(examples)
    expect("the example keeps modem daemons from a meter that shows itself as a modem", "\nID_MM_PORT_IGNORE=1\n" in said[MODEM])
    expect("the example names an adapter by its socket", "/dev/nightwatt-bench" in said[ADAPTER_PORT])
    expect("and no other", "/dev/nightwatt-bench" not in said[OTHER_PORT])
    sys.exit(1 if bad else 0)


main()
