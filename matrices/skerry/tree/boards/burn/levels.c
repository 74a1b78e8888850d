#include "types.h"

/* What the lock's signal shows, by the height of the water in mm: from, and up to. */
const struct level {
    char signal[8];
    u16 from_mm, to_mm;
} levels[] __attribute__((used, retain)) = {
    {"dry", 0, 150},
    {"open", 150, 1800},
    {"slow", 1800, 2150},
    {"shut", 2150, 9999},
};
