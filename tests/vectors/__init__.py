"""Vectors typed from the published standard, never computed by the project or by the oracle.

Sources: "M1 p. 37" = MIDI 1.0 Detailed Specification, document version 4.2.1 (1996), printed page;
"CA-019 p. 4" = Confirmation of Approval CA-019, Sample Dump extensions (rev. 12/01/00). The texts
give layouts and few examples; where a value was worked out from a layout by hand or by a throw-away
calculation, the source says "computed independently".
"""
