# Control room, ashore.
PORT := x86
UART := port
DRIVERS += lamp_led tide_float
PAYLOAD += boards/voe/lines.c
