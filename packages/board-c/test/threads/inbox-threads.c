/*
 * The inbox between real threads, under ThreadSanitizer: ../inbox-threads.test.ts builds and runs it.
 *
 * C99 knows neither threads nor atomics. What the inbox builds on instead: its counters are single bytes
 * that are `volatile`, so each is read and written at once, where the program says so; and FARDEL_BARRIER()
 * keeps what stands before it before what stands behind it, for compiler and processor. The sanitizer knows
 * of neither, so it is told here: a counter that is read shows what was before the writer's last barrier
 * before it wrote, and shows it behind the reader's next barrier; nothing else orders anything. That is
 * all that a weakly ordered processor gives, and what is not ordered so is reported as a race, also where
 * this processor would have been kind.
 *
 * Takes a number of datagrams, a number of slots and an MTU. Prints what was counted, or what is wrong.
 */
#define _POSIX_C_SOURCE 200809L
#include <pthread.h>
#include <sched.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fardel/inbox.h"

enum { TICKETS = FARDEL_LINK_DEPTH_MAX, HEAD_BYTES = 4 };

static fardel_inbox inbox;
static uint16_t mtu_bytes;
static uint32_t datagrams;

/* ---- what the sanitizer is told */

void __tsan_acquire(void *address);
void __tsan_release(void *address);
void __tsan_read1(void *address);
void __tsan_write1(void *address);

#define UNSEEN __attribute__((no_sanitize("thread")))

enum { BARRIERS = 65536 };

/* Barriers are told apart by addresses; NULL is none. By place in the inbox: the last before it was written. */
static char barriers[BARRIERS];
static unsigned barrier_count;
static char *shown[sizeof(fardel_inbox)];
static __thread char *last_barrier;
static __thread uint8_t is_read[sizeof(fardel_inbox)];

UNSEEN void told_barrier(void) {
  __sync_synchronize();
  for (size_t place = 0; place < sizeof is_read; place++) {
    char *barrier = is_read[place] ? __atomic_load_n(&shown[place], __ATOMIC_RELAXED) : NULL;
    is_read[place] = 0;
    if (barrier) __tsan_acquire(barrier);
  }
  last_barrier = &barriers[__atomic_fetch_add(&barrier_count, 1, __ATOMIC_RELAXED) % BARRIERS];
  __tsan_release(last_barrier);
}

UNSEEN static size_t place_of(const void *address) {
  return (size_t)((const char *)address - (const char *)&inbox);
}

/* The outcomes themselves are volatile, too, but what they need is order, as datagrams do. */
UNSEEN static int is_outcome(size_t place) {
  size_t first = offsetof(fardel_inbox, outcomes);
  return place >= first && place < first + FARDEL_INBOX_OUTCOMES;
}

void __tsan_volatile_read1(void *address);
void __tsan_volatile_write1(void *address);
void __tsan_volatile_read2(void *address);
void __tsan_volatile_write2(void *address);

UNSEEN void __tsan_volatile_read1(void *address) {
  size_t place = place_of(address);
  if (is_outcome(place)) __tsan_read1(address);
  else is_read[place] = 1;
}

UNSEEN void __tsan_volatile_write1(void *address) {
  size_t place = place_of(address);
  if (is_outcome(place)) __tsan_write1(address);
  else __atomic_store_n(&shown[place], last_barrier, __ATOMIC_RELAXED);
}

/* `dropped` tells a number, and orders nothing. */
UNSEEN void __tsan_volatile_read2(void *address) { (void)address; }
UNSEEN void __tsan_volatile_write2(void *address) { (void)address; }

static void fail(const char *what, uint32_t which) {
  printf("%s: %u\n", what, which);
  exit(1);
}

/* ---- the radio's receiving side */

static uint16_t length_of(uint32_t count) {
  return (uint16_t)(HEAD_BYTES + count * 2654435761u % (mtu_bytes - HEAD_BYTES + 1u));
}
static uint8_t byte_of(uint32_t count, uint32_t at) { return (uint8_t)(count * 31 + at * 7); }

static uint32_t refused;

/* Each datagram has its count among those that were taken; one that is refused is offered no more. */
static void *receive_side(void *nothing) {
  uint8_t *datagram = malloc((size_t)mtu_bytes + 1);
  uint32_t taken = 0;
  uint32_t offered = 0;
  while (taken < datagrams) {
    uint16_t bytes = length_of(taken);
    uint8_t address[FARDEL_ADDRESS_BYTES];
    for (int i = 0; i < FARDEL_ADDRESS_BYTES; i++) address[i] = byte_of(taken, 99);
    for (int i = 0; i < HEAD_BYTES; i++) datagram[i] = (uint8_t)(taken >> 8 * i);
    for (uint32_t i = HEAD_BYTES; i < bytes; i++) datagram[i] = byte_of(taken, i);
    /* Too long ones never go in. */
    if (offered % 64 == 63) bytes = (uint16_t)(mtu_bytes + 1);
    offered++;
    int result = fardel_inbox_datagram(&inbox, address, datagram, bytes, (int8_t)taken);
    if (result == FARDEL_OK && bytes > mtu_bytes) fail("too long, and taken", taken);
    if (result == FARDEL_OK) taken++;
    else if (result == FARDEL_NO_MEMORY) refused++;
    else fail("an unknown result", taken);
    /* Two cores for three threads: a full ring is emptied sooner by giving way. */
    if (result != FARDEL_OK) sched_yield();
  }
  free(datagram);
  return nothing;
}

/* ---- the radio's sending side: it tells the outcome of each ticket that it was given, once */

static pthread_mutex_t queue_lock = PTHREAD_MUTEX_INITIALIZER;
static uint8_t queue[TICKETS];
static int queue_length;
static uint32_t outcomes_told;
/* By ticket, for the owner alone: how many it has given, and has had back. */
static uint32_t given[TICKETS];
static uint32_t returned;

static int outcome_of(uint32_t count) { return (int)(count % 4); }

static void give(uint8_t ticket) {
  given[ticket]++;
  pthread_mutex_lock(&queue_lock);
  if (queue_length == TICKETS) fail("more tickets than there are", ticket);
  queue[queue_length++] = ticket;
  pthread_mutex_unlock(&queue_lock);
}

static void *send_side(void *nothing) {
  while (outcomes_told < datagrams) {
    int ticket = -1;
    pthread_mutex_lock(&queue_lock);
    if (queue_length > 0) {
      ticket = queue[0];
      memmove(queue, queue + 1, (size_t)--queue_length);
    }
    pthread_mutex_unlock(&queue_lock);
    if (ticket < 0) sched_yield();
    else fardel_inbox_outcome(&inbox, (uint8_t)ticket, outcome_of(outcomes_told++));
  }
  return nothing;
}

/* ---- the owner: in the place of the endpoint */

static uint32_t arrived;

void fardel_datagram(fardel_endpoint *endpoint, const uint8_t *address, const uint8_t *datagram,
                     uint16_t bytes, int8_t rssi_dbm, uint32_t now_us) {
  uint32_t count = 0;
  (void)endpoint;
  (void)now_us;
  for (int i = 0; i < HEAD_BYTES; i++) count |= (uint32_t)datagram[i] << 8 * i;
  if (count != arrived) fail("lost, twice or out of order", arrived);
  if (bytes != length_of(count) || rssi_dbm != (int8_t)count) fail("another length, or RSSI", count);
  for (uint32_t i = HEAD_BYTES; i < bytes; i++)
    if (datagram[i] != byte_of(count, i)) fail("a changed byte", count);
  for (int i = 0; i < FARDEL_ADDRESS_BYTES; i++)
    if (address[i] != byte_of(count, 99)) fail("another address", count);
  arrived++;
}

void fardel_outcome(fardel_endpoint *endpoint, uint8_t ticket, int outcome, uint32_t now_us) {
  (void)endpoint;
  (void)now_us;
  if (ticket >= TICKETS || given[ticket] == 0) fail("the outcome of a ticket that was not given", ticket);
  given[ticket]--;
  if (outcome != outcome_of(returned)) fail("another outcome, or another order", returned);
  returned++;
  /* As an endpoint does: the ticket is free, and goes out again at once. */
  if (returned + TICKETS <= datagrams) give(ticket);
}

static uint32_t number_of(const char *text) { return (uint32_t)strtoul(text, NULL, 10); }

int main(int count, char **words) {
  if (count != 4) fail("give datagrams, slots, MTU; words", (uint32_t)count);
  datagrams = number_of(words[1]);
  uint8_t slots = (uint8_t)number_of(words[2]);
  mtu_bytes = (uint16_t)number_of(words[3]);
  size_t bytes = FARDEL_INBOX_BYTES(mtu_bytes, slots);
  void *memory = malloc(bytes);
  if (fardel_inbox_open(&inbox, memory, bytes, mtu_bytes, slots) != FARDEL_OK) fail("not opened", 0);
  for (uint8_t ticket = 0; ticket < TICKETS; ticket++) give(ticket);
  pthread_t receiving;
  pthread_t sending;
  pthread_create(&receiving, NULL, receive_side, NULL);
  pthread_create(&sending, NULL, send_side, NULL);
  for (uint32_t round = 0; arrived < datagrams || returned < datagrams; round++) {
    fardel_inbox_drain(&inbox, NULL, 0);
    if (round % 16 == 0) sched_yield();
  }
  pthread_join(receiving, NULL);
  pthread_join(sending, NULL);
  fardel_inbox_drain(&inbox, NULL, 0);
  if (arrived != datagrams || returned != datagrams) fail("more than was put in", arrived);
  if (inbox.dropped != (uint16_t)refused) fail("refused, and not counted", refused);
  printf("%u datagrams and %u outcomes came through, %u were refused\n", arrived, returned, refused);
  free(memory);
  return 0;
}
