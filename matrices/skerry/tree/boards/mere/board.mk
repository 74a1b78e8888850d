# Harbour light with a float gauge.
PORT := arm
UART := block
DRIVERS += lamp_led tide_float
