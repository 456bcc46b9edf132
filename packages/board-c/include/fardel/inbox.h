/**
 * @file
 * From interrupts and other tasks to the one task that owns an endpoint, without a lock.
 *
 * A radio calls back where it pleases: "this came", "that has left". Those callbacks put what they
 * have into an inbox and return; the task that owns the endpoint empties it. There are two rings,
 * one for what came and one for what has left. Each has one writer and one reader, so a counter that
 * only one side ever writes is all the agreement they need: the writer fills a slot and then counts it,
 * the reader copies nothing and counts it as read when it is done. The barrier between the two keeps
 * compiler and processor from turning that order round.
 *
 * - At most one context may call fardel_inbox_datagram() at a time, and at most one
 *   fardel_inbox_outcome(). They may be different ones, and may interrupt each other.
 * - Only the owner of the endpoint calls fardel_inbox_drain().
 * - When the ring is full a datagram is dropped and counted: the sender repeats it, like any that is lost.
 *   Outcomes always find room: there are never more than the endpoint has tickets.
 */
#ifndef FARDEL_INBOX_H
#define FARDEL_INBOX_H

#include "fardel.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Makes all earlier writes visible before all later ones. For another compiler define your own. */
#ifndef FARDEL_BARRIER
#define FARDEL_BARRIER() __sync_synchronize()
#endif

/** Bytes around a datagram in the ring: address, length, signal strength, and one to keep them even. */
#define FARDEL_INBOX_HEAD_BYTES (FARDEL_ADDRESS_BYTES + 4)
#define FARDEL_INBOX_OUTCOMES 8

typedef struct fardel_inbox {
  uint8_t *slots;
  uint16_t slot_bytes;
  uint8_t slot_count;
  /** Written by the radio's side alone: counts slots, twice as far as there are slots. */
  volatile uint8_t written;
  /** Written by the endpoint's side alone. */
  volatile uint8_t read;
  volatile uint8_t outcomes_written;
  volatile uint8_t outcomes_read;
  /** Ticket in the high half, outcome in the low one. */
  volatile uint8_t outcomes[FARDEL_INBOX_OUTCOMES];
  /** Datagrams that found no room. Written by the radio's side alone. */
  volatile uint16_t dropped;
} fardel_inbox;

/** Memory for the ring: any bytes, no alignment. @param slots 1 to 127; 2 or 3 do for most boards */
#define FARDEL_INBOX_BYTES(mtu_bytes, slots) \
  ((size_t)(slots) * (FARDEL_INBOX_HEAD_BYTES + (size_t)(mtu_bytes)))

/** @returns FARDEL_OK, FARDEL_INVALID, FARDEL_NO_MEMORY */
int fardel_inbox_open(fardel_inbox *inbox, void *memory, size_t bytes, uint16_t mtu_bytes,
                      uint8_t slots);

/** From the radio's receive callback. @returns FARDEL_OK; FARDEL_NO_MEMORY: dropped */
int fardel_inbox_datagram(fardel_inbox *inbox, const uint8_t *address, const uint8_t *datagram,
                          uint16_t bytes, int8_t rssi_dbm);

/** From the radio's send callback. Tickets that no endpoint gives are ignored. */
void fardel_inbox_outcome(fardel_inbox *inbox, uint8_t ticket, int outcome);

/**
 * From the endpoint's task: hands on what is there, at most as many datagrams as there are slots. Call
 * fardel_poll() behind it.
 */
void fardel_inbox_drain(fardel_inbox *inbox, fardel_endpoint *endpoint, uint32_t now_us);

/**
 * The same, but each datagram goes to `first` first, and to the endpoint only if that returns 0: for a board
 * that can be found and paired, whose `first` calls fardel_pairing_datagram().
 */
void fardel_inbox_drain_first(fardel_inbox *inbox, fardel_endpoint *endpoint,
                              int (*first)(void *context, const uint8_t *address,
                                           const uint8_t *datagram, uint16_t bytes,
                                           uint32_t now_us),
                              void *context, uint32_t now_us);

#ifdef __cplusplus
}
#endif
#endif
