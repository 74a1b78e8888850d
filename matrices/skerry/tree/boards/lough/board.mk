# Lighthouse with a turning lens.
PORT := mips
UART := block
DRIVERS += lamp_rotor tide_float
PAYLOAD += boards/lough/sectors.c
