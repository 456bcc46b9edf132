/*
 * Joins two network namespaces by the reference channel, in real time. In each of them it takes a TUN
 * device; one IP datagram is one frame.
 *
 *   relay -p LOSS -s SEED -q FRAMES [-t] -d DEVICE NAMESPACE NAMESPACE
 *   relay -p LOSS -s SEED -q FRAMES [-t] -r   replays a list of frames, in no time at all
 *
 * -t: both stations in turn; else first come, first served.
 *
 * Says "ready" when both devices are open. Ends when its standard input does, and prints what it
 * carried as one line of JSON.
 */
#define _GNU_SOURCE /* setns, ppoll, getopt in C99 */

#include "air.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <linux/if.h>
#include <linux/if_tun.h>
#include <poll.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <time.h>
#include <unistd.h>

/* Longer than any frame: what does not fit is seen to be too long. */
enum { READ_BYTES = 2048 };

/* A station's queue is a quarter of a megabyte: too much for the stack of some systems. */
static struct air air;

/* How late frames were handed over after their end, and what never was a frame of this channel. */
static struct {
    uint64_t late_ns_max;
    uint64_t late_ns_sum;
    uint64_t oversized;
    int is_realtime;
} run;

static void fail(const char *what)
{
    fprintf(stderr, "relay: %s: %s.\n", what, strerror(errno));
    exit(1);
}

static uint64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

/* Enters the namespace, opens the device in it, and stays there: the device alone matters. */
static int open_tun(const char *namespace_path, const char *device)
{
    int namespace_fd = open(namespace_path, O_RDONLY | O_CLOEXEC);
    if (namespace_fd < 0 || setns(namespace_fd, CLONE_NEWNET) < 0)
        fail(namespace_path);
    close(namespace_fd);
    int fd = open("/dev/net/tun", O_RDWR | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        fail("/dev/net/tun");
    struct ifreq request;
    memset(&request, 0, sizeof request);
    request.ifr_flags = IFF_TUN | IFF_NO_PI;
    strncpy(request.ifr_name, device, sizeof request.ifr_name - 1);
    if (ioctl(fd, TUNSETIFF, &request) < 0)
        fail(device);
    return fd;
}

/* So that it is woken on time on a busy machine. It works without, only less well. */
static void ask_for_punctuality(void)
{
    struct sched_param priority = {.sched_priority = 1};
    prctl(PR_SET_TIMERSLACK, 1ul, 0ul, 0ul, 0ul);
    run.is_realtime = sched_setscheduler(0, SCHED_FIFO, &priority) == 0;
}

/* Delivers all frames that are due, in order. */
static void end_due(const int tuns[AIR_STATIONS])
{
    struct air_frame frame;
    int from;
    while (air.ends_ns != AIR_IDLE && air.ends_ns <= now_ns()) {
        uint64_t ended_ns = air.ends_ns;
        if (air_end(&air, &frame, &from)) {
            /* A namespace that goes down while frames are on air is as good as a loss. */
            ssize_t written = write(tuns[1 - from], frame.data, frame.bytes);
            (void)written;
        }
        uint64_t late_ns = now_ns() - ended_ns;
        run.late_ns_sum += late_ns;
        if (late_ns > run.late_ns_max)
            run.late_ns_max = late_ns;
    }
}

/* Takes one frame from a station. Returns 0 if there is none. */
static int take(const int tuns[AIR_STATIONS], int station)
{
    uint8_t frame[READ_BYTES];
    ssize_t bytes = read(tuns[station], frame, sizeof frame);
    if (bytes < 0 && errno != EAGAIN && errno != EINTR)
        fail("a device cannot be read");
    if (bytes <= 0)
        return 0;
    if (bytes > AIR_MTU_BYTES) {
        run.oversized++;
        return 1;
    }
    end_due(tuns);
    air_offer(&air, station, frame, (size_t)bytes, now_ns());
    return 1;
}

/* Waits until the frame on air ends or something comes. Returns 0 when standard input has ended. */
static int wait_for_more(const int tuns[AIR_STATIONS])
{
    struct pollfd fds[] = {
        {.fd = tuns[0], .events = POLLIN},
        {.fd = tuns[1], .events = POLLIN},
        {.fd = STDIN_FILENO, .events = POLLIN},
    };
    struct timespec left = {0, 0};
    if (air.ends_ns != AIR_IDLE) {
        uint64_t now = now_ns();
        uint64_t left_ns = air.ends_ns > now ? air.ends_ns - now : 0;
        left.tv_sec = (time_t)(left_ns / 1000000000u);
        left.tv_nsec = (long)(left_ns % 1000000000u);
    }
    if (ppoll(fds, 3, air.ends_ns == AIR_IDLE ? NULL : &left, NULL) < 0 && errno != EINTR)
        fail("cannot wait");
    return fds[2].revents == 0;
}

static void print_statistics(void)
{
    const struct air_station *a = &air.stations[0];
    const struct air_station *b = &air.stations[1];
    uint64_t frames = a->frames + b->frames;
    printf("{\"frames\":[%" PRIu64 ",%" PRIu64 "],\"bytes\":[%" PRIu64 ",%" PRIu64 "],", a->frames,
           b->frames, a->bytes, b->bytes);
    printf("\"lost\":[%" PRIu64 ",%" PRIu64 "],\"dropped\":[%" PRIu64 ",%" PRIu64 "],", a->lost,
           b->lost, a->dropped, b->dropped);
    printf("\"queuedMax\":[%zu,%zu],\"oversized\":%" PRIu64 ",", a->queued_max, b->queued_max,
           run.oversized);
    printf("\"lateUsMax\":%" PRIu64 ",\"lateUsMean\":%" PRIu64 ",\"isRealtime\":%s}\n",
           run.late_ns_max / 1000, frames > 0 ? run.late_ns_sum / frames / 1000 : 0,
           run.is_realtime ? "true" : "false");
}

static void relay(const char *const namespaces[AIR_STATIONS], const char *device)
{
    int tuns[AIR_STATIONS];
    for (int i = 0; i < AIR_STATIONS; i++)
        tuns[i] = open_tun(namespaces[i], device);
    ask_for_punctuality();
    puts("ready");
    fflush(stdout);
    while (wait_for_more(tuns)) {
        end_due(tuns);
        /* In turn, so that neither station is always before the other. */
        int more = 1;
        while (more) {
            more = take(tuns, 0);
            more = take(tuns, 1) || more;
        }
    }
    print_statistics();
}

static void print_end(uint64_t ended_us, int station, size_t bytes, const char *fate)
{
    printf("%" PRIu64 " %d %zu %s\n", ended_us, station, bytes, fate);
}

static void end_until(uint64_t until_ns)
{
    struct air_frame frame;
    int from;
    while (air.ends_ns != AIR_IDLE && air.ends_ns <= until_ns) {
        uint64_t ended_us = air.ends_ns / 1000;
        int is_delivered = air_end(&air, &frame, &from);
        print_end(ended_us, from, frame.bytes, is_delivered ? "delivered" : "lost");
    }
}

/* Lines "INSTANT_US STATION BYTES" in order of time; tells what becomes of each frame, and when. */
static void replay(void)
{
    static const uint8_t frame[AIR_MTU_BYTES];
    uint64_t at_us;
    int station;
    size_t bytes;
    while (scanf("%" SCNu64 " %d %zu", &at_us, &station, &bytes) == 3) {
        if (station < 0 || station >= AIR_STATIONS || bytes > AIR_MTU_BYTES) {
            fprintf(stderr, "relay: station %d, %zu bytes: not of this channel.\n", station, bytes);
            exit(2);
        }
        end_until(at_us * 1000);
        if (!air_offer(&air, station, frame, bytes, at_us * 1000))
            print_end(at_us, station, bytes, "dropped");
    }
    end_until(AIR_IDLE - 1);
    print_statistics();
}

static int usage(void)
{
    fputs("usage: relay -p LOSS -s SEED -q FRAMES [-t] (-r | -d DEVICE NAMESPACE NAMESPACE)\n", stderr);
    return 2;
}

int main(int argc, char *argv[])
{
    double loss = 0;
    unsigned long long seed = 1, queue_frames = 0;
    const char *device = NULL;
    int is_replay = 0;
    enum air_order order = AIR_FIRST_COME;
    for (int option; (option = getopt(argc, argv, "p:s:q:d:rt")) != -1;) {
        switch (option) {
        case 'p': loss = strtod(optarg, NULL); break;
        case 's': seed = strtoull(optarg, NULL, 10); break;
        case 'q': queue_frames = strtoull(optarg, NULL, 10); break;
        case 'd': device = optarg; break;
        case 'r': is_replay = 1; break;
        case 't': order = AIR_IN_TURN; break;
        default: return usage();
        }
    }
    if (!(loss >= 0 && loss <= 1) || queue_frames < 1 || queue_frames > AIR_QUEUE_MAX)
        return usage();
    air_init(&air, order, loss, seed, (size_t)queue_frames);
    if (is_replay) {
        replay();
        return 0;
    }
    if (device == NULL || argc - optind != AIR_STATIONS)
        return usage();
    const char *namespaces[AIR_STATIONS] = {argv[optind], argv[optind + 1]};
    relay(namespaces, device);
    return 0;
}
