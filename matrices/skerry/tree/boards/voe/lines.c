#include "types.h"

/* The lines of the control room: who is at the other end, and after how many minutes it is asked again. */
const struct line {
    char station[8];
    u16 every_min;
} lines[] __attribute__((used, retain)) = {
    {"ness", 10},
    {"skaw", 15},
    {"firth", 5},
    {"scaur", 10},
    {"dune", 30},
    {"strand", 30},
};
