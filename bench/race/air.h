/*
 * The reference channel: two stations on one half-duplex air. Each frame is lost with the same
 * probability; each station has a queue of its own, the newest is dropped when it is full.
 *
 * Nothing here waits or reads a clock: instants come in as arguments, in nanoseconds.
 */
#ifndef AIR_H
#define AIR_H

#include <stddef.h>
#include <stdint.h>

enum {
    AIR_STATIONS = 2,
    AIR_MTU_BYTES = 250,
    AIR_QUEUE_MAX = 1024
};

/* Which of the two stations that have something to send goes on air. */
enum air_order {
    /* Whose frame has waited longest since it was handed over: the reference channel. */
    AIR_FIRST_COME,
    /*
     * Whose frame has been at the head of its queue longest: both in turn. So it is where a radio knows
     * nothing of the other's queue, and an ack does not wait for all that was handed over before it.
     */
    AIR_IN_TURN
};

/* No frame is on air. */
#define AIR_IDLE UINT64_MAX

struct air_frame {
    /* Counts through both stations; lower goes first. */
    uint64_t rank;
    size_t bytes;
    uint8_t data[AIR_MTU_BYTES];
};

struct air_station {
    struct air_frame queue[AIR_QUEUE_MAX];
    size_t first;
    size_t queued; /* the one on air is among them */
    uint64_t random;
    /* Counts: all that were on air to the end, those of them that were lost, those that found no place. */
    uint64_t frames;
    uint64_t bytes;
    uint64_t lost;
    uint64_t dropped;
    size_t queued_max;
};

struct air {
    struct air_station stations[AIR_STATIONS];
    enum air_order order;
    size_t queue_frames;
    uint64_t loss_threshold; /* of 2^32 */
    uint64_t ranked;
    int on_air; /* station, if ends_ns is not AIR_IDLE */
    uint64_t ends_ns;
};

/* Time on air of a frame with so many bytes, ns: 552 us + 8 us for each of 43 + bytes. */
uint64_t air_time_ns(size_t bytes);

/* loss: 0 to 1. queue_frames: 1 to AIR_QUEUE_MAX; one frame more is dropped, the newest. */
void air_init(struct air *air, enum air_order order, double loss, uint64_t seed,
              size_t queue_frames);

/*
 * A station hands over a frame of at most AIR_MTU_BYTES. Frames whose end is not after now_ns must have
 * been ended before, with air_end. Returns 0 if there was no place for it.
 */
int air_offer(struct air *air, int station, const uint8_t *data, size_t bytes, uint64_t now_ns);

/*
 * The frame on air has ended, at ends_ns; the next one starts at that same instant, however late this
 * is called. Copies the frame to *ended and says who sent it in *station. Returns 0 if it was lost.
 */
int air_end(struct air *air, struct air_frame *ended, int *station);

#endif
