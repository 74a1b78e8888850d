/*
 * The keeper: what runs once the first stage has brought the board up. It is linked to run in RAM, comes packed in
 * flash, and knows of the board only what the handover says.
 */
#include "arch.h"
#include "handover.h"
#include "memory.h"
#include "predict.h"
#include "print.h"
#include "uart.h"

extern u8 bss_start[], bss_end[];

payload_entry keeper_entry;

void keeper_entry(const struct handover *handover)
{
    memset(bss_start, 0, (usize)(bss_end - bss_start));
    if (handover->magic != HANDOVER_MAGIC)
        return;
    uart_start(handover->uart_base, handover->uart_divisor);
    print("keeper on %s (%s)\n", handover->board_name, arch_name);
    print("events %u\n", (unsigned)handover->record_count);
    if (handover->lamp_period_ms)
        print("light every %u ms\n", handover->lamp_period_ms);
    print("tide now %d mm\n", (int)handover->tide_mm);
    for (u32 hour = 0; hour <= 18; hour += 6)
        print("tide in %u h %d mm\n", (unsigned)hour, (int)predict_height_mm(hour * 60));
    print("keeper idle\n");
    arch_halt();
}
