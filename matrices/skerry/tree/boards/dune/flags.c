#include "types.h"

/* The beach's flags, and the height over datum in mm from which each is hoisted. */
const struct flag {
    char colour[8];
    u16 from_mm;
} flags[] __attribute__((used, retain)) = {
    {"white", 0},
    {"yellow", 2900},
    {"red", 3400},
};
