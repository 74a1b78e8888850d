TRIPLE := riscv64-unknown-elf
ARCH_FLAGS := -march=rv64imac -mabi=lp64 -mcmodel=medany -msmall-data-limit=0
