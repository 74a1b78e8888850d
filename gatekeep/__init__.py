"""
gatekeep: no change lands that breaks a target or outgrows its flash.

Data goes one way, and imports only point down:
matrix + change -> plan -> jobs -> evidence -> verdict -> report.
"""

#: Part of every evidence key: raise it when the same build would be measured, parsed or stored differently.
EVIDENCE_FORMAT = 5

__version__ = "0.1.0"
