# Harbour office gauge.
PORT := riscv64
UART := byte
DRIVERS += tide_float
PAYLOAD += boards/vale/berths.c
