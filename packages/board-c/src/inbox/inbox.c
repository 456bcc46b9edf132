#include "fardel/inbox.h"

#include <string.h>

/* Counters run to twice the number of slots, so that full and empty are told apart. */
static uint8_t after(uint8_t count, uint8_t slots) {
  return (uint8_t)(count + 1 < 2 * slots ? count + 1 : 0);
}

static uint8_t *slot_of(const fardel_inbox *inbox, uint8_t count) {
  uint8_t place = (uint8_t)(count < inbox->slot_count ? count : count - inbox->slot_count);
  return inbox->slots + (size_t)place * inbox->slot_bytes;
}

int fardel_inbox_open(fardel_inbox *inbox, void *memory, size_t bytes, uint16_t mtu_bytes,
                      uint8_t slots) {
  if (!memory || slots < 1 || slots > 127 || mtu_bytes < FARDEL_MTU_MIN || mtu_bytes > FARDEL_MTU_MAX)
    return FARDEL_INVALID;
  if (bytes < FARDEL_INBOX_BYTES(mtu_bytes, slots)) return FARDEL_NO_MEMORY;
  memset(inbox, 0, sizeof *inbox);
  inbox->slots = memory;
  inbox->slot_bytes = (uint16_t)(FARDEL_INBOX_HEAD_BYTES + mtu_bytes);
  inbox->slot_count = slots;
  return FARDEL_OK;
}

int fardel_inbox_datagram(fardel_inbox *inbox, const uint8_t *address, const uint8_t *datagram,
                          uint16_t bytes, int8_t rssi_dbm) {
  uint8_t written = inbox->written;
  uint8_t read = inbox->read;
  uint8_t used = (uint8_t)(written >= read ? written - read : written + 2 * inbox->slot_count - read);
  if (used >= inbox->slot_count || bytes > inbox->slot_bytes - FARDEL_INBOX_HEAD_BYTES) {
    inbox->dropped++;
    return FARDEL_NO_MEMORY;
  }
  /* What the reader did before it counted is over. */
  FARDEL_BARRIER();
  uint8_t *slot = slot_of(inbox, written);
  memcpy(slot, address, FARDEL_ADDRESS_BYTES);
  slot[FARDEL_ADDRESS_BYTES] = (uint8_t)(bytes >> 8);
  slot[FARDEL_ADDRESS_BYTES + 1] = (uint8_t)bytes;
  slot[FARDEL_ADDRESS_BYTES + 2] = (uint8_t)rssi_dbm;
  memcpy(slot + FARDEL_INBOX_HEAD_BYTES, datagram, bytes);
  FARDEL_BARRIER();
  inbox->written = after(written, inbox->slot_count);
  return FARDEL_OK;
}

void fardel_inbox_outcome(fardel_inbox *inbox, uint8_t ticket, int outcome) {
  uint8_t written = inbox->outcomes_written;
  if (ticket >= FARDEL_LINK_DEPTH_MAX) return;
  inbox->outcomes[written % FARDEL_INBOX_OUTCOMES] = (uint8_t)(ticket << 4 | (outcome & 0x0F));
  FARDEL_BARRIER();
  inbox->outcomes_written = (uint8_t)(written + 1);
}

void fardel_inbox_drain_first(fardel_inbox *inbox, fardel_endpoint *endpoint,
                              int (*first)(void *context, const uint8_t *address,
                                           const uint8_t *datagram, uint16_t bytes,
                                           uint32_t now_us),
                              void *context, uint32_t now_us) {
  while (inbox->outcomes_read != inbox->outcomes_written) {
    FARDEL_BARRIER();
    uint8_t word = inbox->outcomes[inbox->outcomes_read % FARDEL_INBOX_OUTCOMES];
    fardel_outcome(endpoint, word >> 4, word & 0x0F, now_us);
    inbox->outcomes_read = (uint8_t)(inbox->outcomes_read + 1);
  }
  /* No more than the ring has: who fills it as fast as it is emptied must not keep fardel_poll() waiting. */
  for (uint8_t left = inbox->slot_count; left > 0 && inbox->read != inbox->written; left--) {
    FARDEL_BARRIER();
    const uint8_t *slot = slot_of(inbox, inbox->read);
    uint16_t bytes = (uint16_t)(slot[FARDEL_ADDRESS_BYTES] << 8 | slot[FARDEL_ADDRESS_BYTES + 1]);
    const uint8_t *datagram = slot + FARDEL_INBOX_HEAD_BYTES;
    if (!first || !first(context, slot, datagram, bytes, now_us))
      fardel_datagram(endpoint, slot, datagram, bytes, (int8_t)slot[FARDEL_ADDRESS_BYTES + 2],
                      now_us);
    FARDEL_BARRIER();
    inbox->read = after(inbox->read, inbox->slot_count);
  }
}

void fardel_inbox_drain(fardel_inbox *inbox, fardel_endpoint *endpoint, uint32_t now_us) {
  fardel_inbox_drain_first(inbox, endpoint, NULL, NULL, now_us);
}
