#ifndef SKERRY_RECORD_H
#define SKERRY_RECORD_H

#include "types.h"

enum record_kind {
    RECORD_START,
    RECORD_CLOCK,
    RECORD_DRIVER,
    RECORD_CONTAINER,
    RECORD_HANDOVER,
};

struct record {
    u16 kind;
    u16 value;
};

/* Keeps an event of this boot; the oldest goes when all slots are taken. */
void record_event(enum record_kind kind, u16 value);

/* How many events there were, those that went included. */
u32 record_count(void);

#endif
