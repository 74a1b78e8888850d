"""
The health site: static pages, feeds, badges and facts, made from `gatekeep.model.health`.

Rendering is pure and clock-free; only write.py touches files. Imports `model` and the rest of `report`.
"""
