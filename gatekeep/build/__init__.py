"""One job in one worker: materialised trees, recipe execution under limits, toolchain probes. Imports tree, measure, model."""
