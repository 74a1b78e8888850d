"""
Booting images: emulators, and what their consoles have to say.

It runs commands by `build` and may import what `build` may; `build` is handed what it needs of this room.
"""
