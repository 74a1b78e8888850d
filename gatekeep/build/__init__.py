"""
One job in one worker: materialised trees, recipe execution under limits, read sets, toolchain probes.

Imports tree, measure, matrix, model.
"""
