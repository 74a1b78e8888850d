#include "board.h"
