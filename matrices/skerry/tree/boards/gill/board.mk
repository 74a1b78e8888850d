# Float logger, the smallest of all: inner flash only.
PORT := riscv32
UART := block
DRIVERS += tide_float
