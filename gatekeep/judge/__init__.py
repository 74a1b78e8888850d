"""Pure: evidence in, verdict out. No I/O, no clock, no logging. Imports model only."""
