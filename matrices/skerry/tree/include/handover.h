#ifndef SKERRY_HANDOVER_H
#define SKERRY_HANDOVER_H

#include "types.h"

#define HANDOVER_MAGIC 0x534b4831u /* "SKH1" */

/* What the first stage tells the payload. It stays where it is; the payload copies what it keeps. */
struct handover {
    u32 magic;
    u32 record_count;
    const char *board_name;
    uptr uart_base;
    u16 uart_divisor;
    u16 lamp_period_ms;
    s32 tide_mm;
};

typedef void payload_entry(const struct handover *handover);

#endif
