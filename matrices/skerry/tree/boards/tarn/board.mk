# Lock keeper, with light.
PORT := riscv64
UART := block
DRIVERS += lamp_led tide_float
PAYLOAD += boards/tarn/gates.c
