#include <string.h>

#include "parts.h"

static uint8_t *slot_of(const fardel_bridge *bridge, const fardel_bridge_place *place) {
  size_t stride = (size_t)bridge->config->address_bytes + bridge->config->mtu_bytes;
  return bridge->slots + place->slot * stride;
}

/* Frees a taken place; the outcome is told if the session is still the same. */
static void depart(fardel_bridge *bridge, int index, uint8_t outcome) {
  fardel_bridge_place gone = bridge->places[index];
  bridge->held--;
  memmove(bridge->places + index, bridge->places + index + 1,
          (size_t)(bridge->held - index) * sizeof gone);
  bridge->places[bridge->held] = gone;
  if (gone.ticket) bridge->with_radio--;
  if (gone.is_wanted) fdb_finish_token(bridge, gone.number, outcome);
}

void fdb_open_queue(fardel_bridge *bridge) {
  for (uint8_t slot = 0; slot < bridge->config->queue; slot++) bridge->places[slot].slot = slot;
}

int fdb_hold(fardel_bridge *bridge, uint32_t number, const uint8_t *to, const uint8_t *datagram,
             uint16_t bytes) {
  if (bridge->held == bridge->config->queue) return -1;
  fardel_bridge_place *place = &bridge->places[bridge->held++];
  uint8_t *slot = slot_of(bridge, place);
  memcpy(slot, to, bridge->config->address_bytes);
  memcpy(slot + bridge->config->address_bytes, datagram, bytes);
  place->number = number;
  place->bytes = bytes;
  place->ticket = 0;
  place->is_wanted = 1;
  return 0;
}

void fdb_empty_queue(fardel_bridge *bridge) {
  for (int index = bridge->held; index-- > 0;) {
    bridge->places[index].is_wanted = 0;
    if (!bridge->places[index].ticket) depart(bridge, index, 0);
  }
}

int fdb_is_with_radio(const fardel_bridge *bridge, const uint8_t *to) {
  for (int index = 0; index < bridge->held; index++) {
    const fardel_bridge_place *place = &bridge->places[index];
    if (!place->ticket) continue;
    if (memcmp(slot_of(bridge, place), to, bridge->config->address_bytes) == 0) return 1;
  }
  return 0;
}

static void hand_over(fardel_bridge *bridge, fardel_bridge_place *place, uint32_t now_us) {
  const fardel_bridge_config *config = bridge->config;
  const uint8_t *slot = slot_of(bridge, place);
  if (++bridge->last_ticket == 0) bridge->last_ticket = 1;
  uint16_t ticket = bridge->last_ticket;
  place->ticket = ticket;
  place->silent_us = now_us + RADIO_SILENCE_US;
  bridge->with_radio++;
  bridge->counts[COUNT_TO_RADIO]++;
  /* The place may be another one's when this returns: the outcome may have come. */
  if (config->transmit(config->context, ticket, slot, slot + config->address_bytes, place->bytes)) {
    fardel_bridge_outcome(bridge, ticket, FARDEL_BRIDGE_NOT_TAKEN);
  }
}

void fdb_feed_radio(fardel_bridge *bridge, uint32_t now_us) {
  while (bridge->with_radio < bridge->config->radio_depth) {
    int index = 0;
    while (index < bridge->held && bridge->places[index].ticket) index++;
    if (index == bridge->held) return;
    int admitted = fdb_admit(bridge, slot_of(bridge, &bridge->places[index]));
    if (admitted > 0) {
      hand_over(bridge, &bridge->places[index], now_us);
    } else {
      /* Whoever is with the radio makes room soon. */
      if (admitted == 0 && bridge->with_radio > 0) return;
      /* Else it can never go: the broadcast address fills the table alone, or the radio refuses. */
      bridge->counts[COUNT_REFUSED]++;
      depart(bridge, index, FARDEL_BRIDGE_NOT_TAKEN);
    }
  }
}

void fardel_bridge_outcome(fardel_bridge *bridge, uint16_t ticket, int outcome) {
  if (!ticket) return;
  int index = 0;
  while (index < bridge->held && bridge->places[index].ticket != ticket) index++;
  if (index == bridge->held) return;
  switch (outcome) {
    case FARDEL_BRIDGE_SENT:
      break;
    case FARDEL_BRIDGE_ACKNOWLEDGED:
      bridge->counts[COUNT_ACKNOWLEDGED]++;
      break;
    case FARDEL_BRIDGE_NOT_ACKNOWLEDGED:
      bridge->counts[COUNT_NOT_ACKNOWLEDGED]++;
      break;
    case FARDEL_BRIDGE_NOT_TAKEN:
      bridge->counts[COUNT_REFUSED]++;
      break;
    default:
      outcome = FARDEL_BRIDGE_UNKNOWN;
  }
  depart(bridge, index, (uint8_t)outcome);
}

void fdb_give_up(fardel_bridge *bridge, uint32_t now_us) {
  int index = 0;
  while (index < bridge->held) {
    const fardel_bridge_place *place = &bridge->places[index];
    if (place->ticket && fdb_is_due(place->silent_us, now_us)) {
      bridge->counts[COUNT_RADIO_SILENCES]++;
      depart(bridge, index, FARDEL_BRIDGE_UNKNOWN);
    } else {
      index++;
    }
  }
}
