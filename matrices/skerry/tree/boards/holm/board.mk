# Harbour light, no gauge.
PORT := arm
UART := block
DRIVERS += lamp_led tide_none
