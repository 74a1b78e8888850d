#include "record.h"
#include "sizes.h"

static struct record records[RECORD_SLOTS];
static u32 recorded;

void record_event(enum record_kind kind, u16 value)
{
    struct record *slot = &records[recorded++ % RECORD_SLOTS];
    slot->kind = (u16)kind;
    slot->value = value;
}

u32 record_count(void)
{
    return recorded;
}
