#ifndef BOARD
#error "no board is set"
#endif
