#include "types.h"

/* Surges at scaur since it was built: year, height over datum in mm, and the name that the storm was given. */
const struct surge {
    u16 year, height_mm;
    char name[8];
} surges[] __attribute__((used, retain)) = {
    {1994, 3120, "Agnes"},
    {1999, 2870, "Boel"},
    {2007, 3340, "Cato"},
    {2025, 2610, "Dorthe"},
    {2025, 2790, "Eskil"},
    {2026, 3010, "Frode"},
    {2026, 3190, "Gyda"},
    {2026, 2740, "Hauk"},
};
