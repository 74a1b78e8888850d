#include "types.h"

/* Depths of the harbour's berths below chart datum in dm, as last sounded. */
const struct berth {
    char name[8];
    u16 depth_dm;
} berths[] __attribute__((used, retain)) = {
    {"north", 42},
    {"mole", 55},
    {"slip", 22},
    {"fuel", 37},
    {"visitor", 24},
};
