# Storm surge gauge.
PORT := powerpc
UART := block
DRIVERS += tide_float
PAYLOAD += boards/scaur/surges.c
