"""Which rigs there could be: serial ports, and the scenarios of the simulated rig."""

from __future__ import annotations


def list_ports() -> list[dict[str, str]]:
    """Serial ports with what the USB device says of itself."""
    from serial.tools import list_ports as serial_ports

    found = []
    for port in serial_ports.comports():
        usb = f"usb:{port.vid:04x}:{port.pid:04x}" if port.vid and port.pid else ""
        what = " ".join(t for t in (port.description, usb, port.serial_number or "") if t)
        found.append({"port": port.device, "what": what if what != "n/a" else ""})
    return found


def list_scenarios() -> list[str]:
    """Names for ``sim:NAME``."""
    from benchrig_sim.scenario import packaged

    return packaged()
