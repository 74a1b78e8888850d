# Harbour entrance light and gauge.
PORT := mips
UART := byte
DRIVERS += lamp_led tide_float
