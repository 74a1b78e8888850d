/* The first C of every boot: start.S has set the stack and nothing else. */
#include "entry.h"
#include "memory.h"

extern u8 data_start[], data_end[], bss_start[], bss_end[];
extern const u8 data_load[];

/* What the service tool shows before it writes a part. */
static const char ident[] __attribute__((used, retain, section(".ident"))) = "SKERRY boot, layout 1";

void skerry_entry(void)
{
    memcpy(data_start, data_load, (usize)(data_end - data_start));
    memset(bss_start, 0, (usize)(bss_end - bss_start));
    skerry_main();
}
