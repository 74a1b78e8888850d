# Lighthouse with a turning lens and a fog horn.
PORT := powerpc
UART := byte
DRIVERS += lamp_rotor tide_float fog
