"""The cautions that stand first on a bench sheet, each with who says so."""

from __future__ import annotations

from netcheck.report.expect_model import Caution

PRACTICE = "common practice"

CAUTIONS = (
    Caution(
        "The voltages in this amplifier kill. Above 60 V dc or 35 V peak ac is not to be touched; "
        "whoever is not used to such work leaves it to somebody who is.",
        "touch limits of EN 60065, as quoted in a service manual",
    ),
    Caution(
        "Pull the plug, then drain every supply capacitor through 10 kohm on insulated clips and "
        "check with the meter that less than 10 V are left, each time before touching anything. "
        "100 uF at 450 V holds 10 J and needs minutes through a bleeder.",
        "published service texts; energy and time worked out",
    ),
    Caution(
        "One hand in the pocket, the black probe clipped to the chassis, insulated probes rated "
        "for the volts, safety glasses, nobody alone.",
        "published service texts",
    ),
    Caution(
        "The chassis is earthed through a three-wire cord. A set without a mains transformer may "
        "have its chassis at mains potential: then only behind an isolating transformer, and the "
        "chassis is not earthed. An isolating transformer does not guard against touching B+.",
        "published service texts",
    ),
    Caution(
        "A load of the right resistance stays on the output, always.",
        "published service texts: an open output destroys output transformers",
    ),
    Caution(
        "Switch off at any glow of a plate or a screen, at smoke, and at any value past its stop. "
        "Do not keep a tube on in order to measure why it is too hot.",
        PRACTICE,
    ),
    Caution(
        "Without tubes, and on cold tubes, B+ is higher than in use: see step 2 against the rating "
        "of the capacitors.",
        PRACTICE,
    ),
    Caution(
        "The values come from a model of the netlist, not from this unit; they replace neither an "
        "insulation test nor an earth test.",
        PRACTICE,
    ),
)
