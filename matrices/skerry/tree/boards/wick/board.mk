# Lantern on a buoy: the flash inside the processor, and nothing else.
PORT := arm
UART := block
DRIVERS += lamp_led tide_none battery
