#include "kelp.h"

int ring_put(struct ring *ring, unsigned char byte)
{
    unsigned next = (ring->head + 1) % sizeof ring->bytes;
    if (next == ring->tail)
        return -1;
    ring->bytes[ring->head] = byte;
    ring->head = next;
    return 0;
}

int ring_get(struct ring *ring)
{
    if (ring->tail == ring->head)
        return -1;
    int byte = ring->bytes[ring->tail];
    ring->tail = (ring->tail + 1) % sizeof ring->bytes;
    return byte;
}
