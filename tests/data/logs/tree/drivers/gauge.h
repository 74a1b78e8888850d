#include "../lib/cut.h"
static int forgotten(void) { return 1; }
