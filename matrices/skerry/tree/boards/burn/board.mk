# Lock gauge with a signal light.
PORT := riscv32
UART := byte
DRIVERS += lamp_led tide_float
PAYLOAD += boards/burn/levels.c
