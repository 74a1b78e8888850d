"""
The frozen values that every other room speaks in.

No I/O, no clock; imports nothing of ours but the error tree. Units are in the names: `_bytes`, `_s`, `_at`.
"""
