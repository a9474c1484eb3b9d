"""The reader: text of a netlist in, a `FlatNetlist` out."""

from netcheck.netlist.evaluate import evaluate
from netcheck.netlist.flat import DeviceModel, FlatElement, FlatNetlist, Waveform
from netcheck.netlist.limits import ReadLimits
from netcheck.netlist.notes import PartNote
from netcheck.netlist.read import read_netlist, read_netlist_text

__all__ = [
    "DeviceModel",
    "FlatElement",
    "FlatNetlist",
    "PartNote",
    "ReadLimits",
    "Waveform",
    "evaluate",
    "read_netlist",
    "read_netlist_text",
]
