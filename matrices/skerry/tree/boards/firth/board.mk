# Ferry pier gauge.
PORT := x86
UART := byte
DRIVERS += tide_float
PAYLOAD += boards/firth/ferries.c
