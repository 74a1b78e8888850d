# Beach gauge; its mask ROM leaves the processor in the high window.
PORT := loongarch64
UART := block
DRIVERS += tide_float
