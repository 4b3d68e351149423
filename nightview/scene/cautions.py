"""What every hand-over says first: the work can hurt, and others have the last word."""

from __future__ import annotations

CAUTIONS = (
    "This is a planning aid. Where it differs from the local code, the inspector, a product's listing "
    "or its instructions, those hold; the work itself is for people who are licensed for it.",
    "Anything on the mains side, new outlets, docks and pools belong to a licensed electrician. The "
    "outlet needs ground-fault protection and a cover that keeps rain out while in use.",
    "Low-voltage garden lighting means listed parts, at most 30 V AC or 60 V DC, and no more than "
    "25 A from one output (NEC 411). Its secondary side is not grounded.",
    "Keep lamps and cables 10 ft (3.05 m) from the edge of a pool, spa or fountain, unless the code's "
    "pool article allows that lamp nearer (NEC 680.22).",
    "Cover cables of up to 30 V with at least 6 in (150 mm) of soil (NEC table 300.5), with 18 in "
    "(450 mm) under a home's drive and 24 in (600 mm) under public roads and parking.",
    "Before any digging have the public utilities located, and look for private lines yourself: "
    "irrigation, gas, septic, pet fence.",
    "Lamps in trees are hung by a trained climber, on bolts that stand off and with slack for growth, "
    "well away from power lines. Mind hot lenses near mulch, dry leaves and bare feet.",
    "Garden light is decoration, never emergency or safety lighting. Ask about light ordinances, "
    "owners' rules, curfews and wildlife.",
    "Switch every lamp on before a cable is buried. The volts here follow from the lengths and watts "
    "that were entered: measure them under load, and write them beside these.",
)
"""In our own words, after the code's articles named in them; printed on every sheet."""
