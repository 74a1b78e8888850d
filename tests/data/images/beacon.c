/* A lamp that blinks: every kind of section that firmware commonly has, and little of each. */

#define IN(name) __attribute__((section(name), used))

static const char greeting[] = "skerry beacon";
static int level = 5;                       /* .data: stored in flash, copied to RAM */
static volatile unsigned char queue[100];            /* .bss */
IN(".vectors") const unsigned vectors[4] = {0x20002000u, 1u, 2u, 3u};
IN(".fast") int table[3] = {1, 2, 3};       /* stored in flash, runs in the tightly coupled memory */
IN(".kept") unsigned char kept[40];         /* space in flash that the image leaves alone */
IN(".noinit") unsigned char journal[72];    /* survives a reset */
IN(".recovery") const char recovery[] = "recovery";

static int __attribute__((noinline)) blink(int times)
{
    return times * level + queue[times] + greeting[times & 7] + table[1] + journal[0];
}

int lamp(int times)
{
    return blink(times) + 1;
}

void _start(void)
{
    for (;;)
        level = lamp(level) + kept[0];
}
