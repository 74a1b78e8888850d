# Headland station: light, gauge and fog horn.
PORT := aarch64
UART := byte
DRIVERS += lamp_led tide_float fog
