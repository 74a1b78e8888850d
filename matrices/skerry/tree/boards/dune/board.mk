# Beach light and gauge.
PORT := loongarch64
UART := byte
DRIVERS += lamp_led tide_float
PAYLOAD += boards/dune/flags.c
