"""
How the store's file says what it is; apart from its tables, so that it can be looked at before these are imported.
"""

from __future__ import annotations

#: "gate" in ASCII: SQLite's application_id, so that a foreign database is never written into.
APPLICATION_ID = 0x67617465
#: Raised together with a migration.
SCHEMA_VERSION = 5
