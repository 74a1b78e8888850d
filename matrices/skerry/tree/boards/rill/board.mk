# River gauge.
PORT := riscv32
UART := block
DRIVERS += tide_float
PAYLOAD += boards/rill/gaugings.c
