/*
 * A decoder for raw LZMA streams, written for Skerry from the LZMA specification's description of the format.
 *
 * The properties are fixed (lc=0, lp=0, pb=0): one set of literal probabilities and no position states, so that all
 * probabilities take 3.5 KiB of RAM.
 */
#include "lzma.h"

#define STATES 12
#define LITERAL_STATES 7
#define HALF 1024 /* a probability of one half, in 1/2048 */
#define MOVE_BITS 5
#define TOP (1u << 24)
#define SHORTEST 2
#define ALIGN_BITS 4
#define FIRST_MODELLED_SLOT 4
#define END_OF_MODELLED_SLOTS 14
#define END_MARKER 0xffffffffu

struct length_model {
    u16 choice, choice2;
    u16 low[8], mid[8], high[256];
};

/* Nothing but u16, so that it can be set as one array. */
static struct model {
    u16 is_match[STATES], is_rep[STATES], is_rep0[STATES], is_rep0_long[STATES], is_rep1[STATES], is_rep2[STATES];
    u16 slots[4][64];
    u16 distances[128]; /* 115 are used, from 1 */
    u16 align[1 << ALIGN_BITS];
    struct length_model match_length, rep_length;
    u16 literals[0x300];
} model;

struct range {
    const u8 *in, *end;
    u32 width, code;
    bool starved;
};

static void range_fill(struct range *range)
{
    if (range->width >= TOP)
        return;
    range->width <<= 8;
    range->code <<= 8;
    if (range->in < range->end)
        range->code |= *range->in++;
    else
        range->starved = true;
}

static u32 get_bit(struct range *range, u16 *probability)
{
    u32 value = *probability;
    u32 bound = (range->width >> 11) * value;
    u32 bit = range->code >= bound;
    if (bit) {
        range->width -= bound;
        range->code -= bound;
        value -= value >> MOVE_BITS;
    } else {
        range->width = bound;
        value += (2048 - value) >> MOVE_BITS;
    }
    *probability = (u16)value;
    range_fill(range);
    return bit;
}

static u32 get_direct_bits(struct range *range, u32 count)
{
    u32 value = 0;
    while (count--) {
        range->width >>= 1;
        u32 bit = range->code >= range->width;
        if (bit)
            range->code -= range->width;
        value = value << 1 | bit;
        range_fill(range);
    }
    return value;
}

static u32 get_tree(struct range *range, u16 *tree, u32 bits)
{
    u32 node = 1;
    for (u32 level = 0; level < bits; level++)
        node = node << 1 | get_bit(range, &tree[node]);
    return node - (1u << bits);
}

static u32 get_reverse_tree(struct range *range, u16 *tree, u32 bits)
{
    u32 node = 1, value = 0;
    for (u32 level = 0; level < bits; level++) {
        u32 bit = get_bit(range, &tree[node]);
        node = node << 1 | bit;
        value |= bit << level;
    }
    return value;
}

static u32 get_length(struct range *range, struct length_model *lengths)
{
    if (!get_bit(range, &lengths->choice))
        return SHORTEST + get_tree(range, lengths->low, 3);
    if (!get_bit(range, &lengths->choice2))
        return SHORTEST + 8 + get_tree(range, lengths->mid, 3);
    return SHORTEST + 16 + get_tree(range, lengths->high, 8);
}

static u32 get_distance(struct range *range, u32 length)
{
    u32 length_state = length - SHORTEST < 3 ? length - SHORTEST : 3;
    u32 slot = get_tree(range, model.slots[length_state], 6);
    if (slot < FIRST_MODELLED_SLOT)
        return slot;
    u32 bits = (slot >> 1) - 1;
    u32 distance = (2 | (slot & 1)) << bits;
    if (slot < END_OF_MODELLED_SLOTS)
        return distance + get_reverse_tree(range, model.distances + distance - slot, bits);
    distance += get_direct_bits(range, bits - ALIGN_BITS) << ALIGN_BITS;
    return distance + get_reverse_tree(range, model.align, ALIGN_BITS);
}

/* `match` is the byte at the last distance, and guides the tree until the literal differs from it; or -1. */
static u8 get_literal(struct range *range, int match)
{
    u32 node = 1;
    while (node < 0x100 && match >= 0) {
        u32 guess = (u32)match >> 7 & 1;
        match = match << 1 & 0xff;
        u32 bit = get_bit(range, &model.literals[((1 + guess) << 8) + node]);
        node = node << 1 | bit;
        if (bit != guess)
            break;
    }
    while (node < 0x100)
        node = node << 1 | get_bit(range, &model.literals[node]);
    return (u8)node;
}

/* Brings the second, third or fourth last distance to the front. */
static void recall_distance(struct range *range, u32 *distances, u32 state)
{
    u32 index = 1;
    if (get_bit(range, &model.is_rep1[state]))
        index = 2 + get_bit(range, &model.is_rep2[state]);
    u32 recalled = distances[index];
    for (; index > 0; index--)
        distances[index] = distances[index - 1];
    distances[0] = recalled;
}

static void start_model(void)
{
    u16 *probabilities = (u16 *)&model;
    for (usize index = 0; index < sizeof(model) / sizeof(u16); index++)
        probabilities[index] = HALF;
}

bool lzma_decode(const u8 *in, usize in_count, u8 *out, usize out_count)
{
    struct range range = {.in = in, .end = in + in_count, .width = 0xffffffffu};
    u32 distances[4] = {0, 0, 0, 0};
    u32 state = 0;
    usize at = 0;

    if (in_count < 5 || in[0] != 0)
        return false;
    for (range.in++; range.in < in + 5; range.in++)
        range.code = range.code << 8 | *range.in;
    start_model();

    while (at < out_count && !range.starved) {
        if (!get_bit(&range, &model.is_match[state])) {
            bool after_match = state >= LITERAL_STATES;
            if (after_match && distances[0] >= at)
                return false;
            out[at] = get_literal(&range, after_match ? out[at - distances[0] - 1] : -1);
            at++;
            state = state < 4 ? 0 : state < 10 ? state - 3 : state - 6;
            continue;
        }
        u32 length;
        if (!get_bit(&range, &model.is_rep[state])) {
            for (u32 index = 3; index > 0; index--)
                distances[index] = distances[index - 1];
            length = get_length(&range, &model.match_length);
            state = state < LITERAL_STATES ? 7 : 10;
            distances[0] = get_distance(&range, length);
            if (distances[0] == END_MARKER)
                return false;
        } else {
            bool repeat_byte = false;
            if (!get_bit(&range, &model.is_rep0[state]))
                repeat_byte = !get_bit(&range, &model.is_rep0_long[state]);
            else
                recall_distance(&range, distances, state);
            length = repeat_byte ? 1 : get_length(&range, &model.rep_length);
            state = state < LITERAL_STATES ? (repeat_byte ? 9 : 8) : 11;
        }
        if (distances[0] >= at || length > out_count - at)
            return false;
        for (; length; length--, at++)
            out[at] = out[at - distances[0] - 1];
    }
    return at == out_count && !range.starved;
}
