#include "arch.h"
#include "container.h"
#include "driver.h"
#include "entry.h"
#include "handover.h"
#include "print.h"
#include "record.h"
#include "tide.h"
#include "uart.h"

extern const struct driver drivers_start[], drivers_end[];

/* Data and not bss, so that a board whose flash was loaded wrongly is seen at once. */
static struct handover handover = {.magic = HANDOVER_MAGIC};

static void stop(const char *why)
{
    print("stopped: %s\n", why);
    arch_halt();
}

static void start_drivers(void)
{
    for (const struct driver *driver = drivers_start; driver < drivers_end; driver++) {
        bool good = driver->start(&board);
        record_event(RECORD_DRIVER, good);
        if (!good)
            print("%s does not answer\n", driver->name);
        debug("driver %s %s\n", driver->name, good ? "started" : "left out");
    }
}

static uptr find_payload(void)
{
    for (usize index = 0; index < COUNT_OF(flash_areas); index++) {
        const struct flash_area *area = &flash_areas[index];
        if (area->start == area->end)
            continue;
        uptr entry = 0;
        enum container_state state = container_unpack(area, &entry);
        record_event(RECORD_CONTAINER, (u16)state);
        if (state == CONTAINER_GOOD) {
            print("%s payload\n", area->name);
            return entry;
        }
        print("%s payload bad (%u)\n", area->name, state);
    }
    stop("no payload");
    return 0;
}

void skerry_main(void)
{
    uart_start(board.uart_base, board.uart_divisor);
    print("skerry %s\n", board.name);
    debug("%s, %s\n", arch_name, "debug build");
    record_event(RECORD_START, 0);
    if (handover.magic != HANDOVER_MAGIC)
        stop("data was not loaded");
    if (!clock_start(&board))
        stop("clock failed");
    record_event(RECORD_CLOCK, 1);
    print("clock ok\n");
    start_drivers();

    uptr entry = find_payload();
    handover.board_name = board.name;
    handover.uart_base = board.uart_base;
    handover.uart_divisor = board.uart_divisor;
    handover.lamp_period_ms = board.lamp_period_ms;
    handover.tide_mm = tide_height_mm();
    record_event(RECORD_HANDOVER, 0);
    handover.record_count = record_count();
    print("handover\n");
    ((payload_entry *)entry)(&handover);
    stop("payload came back");
    arch_halt();
}
