#include "air.h"

#include <string.h>

enum { FIXED_US = 552, PER_BYTE_US = 8, OVERHEAD_BYTES = 43 };

uint64_t air_time_ns(size_t bytes)
{
    return 1000u * (FIXED_US + PER_BYTE_US * (OVERHEAD_BYTES + (uint64_t)bytes));
}

/* splitmix64 (S. Vigna 2015, in the public domain, https://prng.di.unimi.it/splitmix64.c). */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z = *state += UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

void air_init(struct air *air, enum air_order order, double loss, uint64_t seed,
              size_t queue_frames)
{
    memset(air, 0, sizeof *air);
    air->order = order;
    air->queue_frames = queue_frames;
    air->loss_threshold = (uint64_t)(loss * 4294967296.0 + 0.5);
    air->ends_ns = AIR_IDLE;
    /* A stream for each direction: what one side sends does not shift the losses of the other. */
    uint64_t seeds = seed;
    for (int i = 0; i < AIR_STATIONS; i++)
        air->stations[i].random = next_random(&seeds);
}

static struct air_frame *head_of(struct air_station *station)
{
    return &station->queue[station->first];
}

static void start(struct air *air, int station, uint64_t now_ns)
{
    air->on_air = station;
    air->ends_ns = now_ns + air_time_ns(head_of(&air->stations[station])->bytes);
}

int air_offer(struct air *air, int station, const uint8_t *data, size_t bytes, uint64_t now_ns)
{
    struct air_station *from = &air->stations[station];
    if (from->queued == air->queue_frames) {
        from->dropped++;
        return 0;
    }
    struct air_frame *frame = &from->queue[(from->first + from->queued) % AIR_QUEUE_MAX];
    frame->rank = air->ranked++;
    frame->bytes = bytes;
    memcpy(frame->data, data, bytes);
    from->queued++;
    if (from->queued > from->queued_max)
        from->queued_max = from->queued;
    if (air->ends_ns == AIR_IDLE)
        start(air, station, now_ns);
    return 1;
}

static void start_next(struct air *air, uint64_t now_ns)
{
    int next = -1;
    for (int i = 0; i < AIR_STATIONS; i++) {
        struct air_station *station = &air->stations[i];
        if (station->queued == 0)
            continue;
        if (next < 0 || head_of(station)->rank < head_of(&air->stations[next])->rank)
            next = i;
    }
    if (next < 0)
        air->ends_ns = AIR_IDLE;
    else
        start(air, next, now_ns);
}

int air_end(struct air *air, struct air_frame *ended, int *station)
{
    struct air_station *from = &air->stations[air->on_air];
    *station = air->on_air;
    *ended = *head_of(from);
    from->first = (from->first + 1) % AIR_QUEUE_MAX;
    from->queued--;
    if (air->order == AIR_IN_TURN && from->queued > 0)
        head_of(from)->rank = air->ranked++;
    from->frames++;
    from->bytes += ended->bytes;
    int is_lost = (next_random(&from->random) >> 32) < air->loss_threshold;
    from->lost += (uint64_t)is_lost;
    start_next(air, air->ends_ns);
    return !is_lost;
}
