#ifndef SKERRY_PREDICT_H
#define SKERRY_PREDICT_H

#include "types.h"

/* One harmonic part of the tide; angles are in 2^-32 turns. */
struct constituent {
    char name[4];
    u32 speed; /* per minute */
    u32 phase;
    u16 amplitude_mm;
};

extern const struct constituent constituents[];
extern const u32 constituent_count;

/* Height over mean sea level in mm, `minutes` after the start. */
s32 predict_height_mm(u32 minutes);

#endif
