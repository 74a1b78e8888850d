#include "predict.h"

/*
 * Speeds are those of the harmonic analysis of tides (degrees an hour, from memory: M2 28.9841042, S2 30.0, K1
 * 15.0410686, O1 13.9430356 and so on) in 2^-32 turns a minute. Phases and amplitudes are an invented harbour's.
 */
const struct constituent constituents[] = {
    {"M2", 5763231u, 1395864371u, 1640},
    {"S2", 5965232u, 1920804818u, 540},
    {"N2", 5654986u, 1133394148u, 310},
    {"K2", 5981565u, 1885013424u, 150},
    {"K1", 2990782u, 2421884336u, 110},
    {"O1", 2772448u, 453357659u, 95},
    {"P1", 2974450u, 2350301548u, 34},
    {"Q1", 2664204u, 4175662649u, 28},
    {"M4", 11526461u, 3030338037u, 70},
};
const u32 constituent_count = COUNT_OF(constituents);
