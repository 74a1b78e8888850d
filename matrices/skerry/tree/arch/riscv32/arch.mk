TRIPLE := riscv32-unknown-elf
ARCH_FLAGS := -march=rv32imac -mabi=ilp32 -msmall-data-limit=0
