# Leading light.
PORT := powerpc
UART := block
DRIVERS += lamp_led tide_none
