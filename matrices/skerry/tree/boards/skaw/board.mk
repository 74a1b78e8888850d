# Offshore gauge; everything lies above 4 GiB.
PORT := aarch64
UART := block
DRIVERS += tide_float
PAYLOAD += boards/skaw/settling.c
