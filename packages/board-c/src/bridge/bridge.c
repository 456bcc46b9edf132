#include "fardel/bridge.h"

#include <string.h>

#include "parts.h"

#define SECOND_US 1000000u

static int name_fits(const char *name) {
  int bytes = 0;
  while (name && bytes <= FARDEL_BRIDGE_NAME_MAX && name[bytes] != 0) bytes++;
  return bytes <= FARDEL_BRIDGE_NAME_MAX;
}

static int is_possible(const fardel_bridge_config *config) {
  const uint8_t abilities = FARDEL_BRIDGE_CAN_BROADCAST | FARDEL_BRIDGE_TELLS_ACKNOWLEDGEMENT;
  if (config->mtu_bytes < FARDEL_BRIDGE_MTU_MIN) return 0;
  if (config->mtu_bytes > FARDEL_BRIDGE_MTU_MAX) return 0;
  if (config->address_bytes < 1 || config->address_bytes > FARDEL_BRIDGE_ADDRESS_MAX) return 0;
  if (config->queue < 1 || config->queue > FARDEL_BRIDGE_QUEUE_MAX) return 0;
  if (config->heard < 1 || config->radio_depth < 1) return 0;
  if (config->framing > FARDEL_BRIDGE_SLIP) return 0;
  if (config->abilities & ~abilities) return 0;
  if (config->peers > 0 && (!config->put_in || !config->put_out)) return 0;
  return config->transmit && config->address && name_fits(config->name);
}

size_t fardel_bridge_bytes(const fardel_bridge_config *config) {
  if (!is_possible(config)) return 0;
  return FARDEL_BRIDGE_BYTES(config->mtu_bytes, config->address_bytes, config->queue, config->peers,
                             config->heard, config->text_bytes);
}

/* Cuts the block behind the struct into its parts; `places` first, since it is aligned. */
static void lay_out(fardel_bridge *bridge, const fardel_bridge_config *config) {
  size_t address_bytes = config->address_bytes;
  size_t slot_bytes = address_bytes + config->mtu_bytes;
  void *behind = bridge + 1;
  bridge->places = behind;
  bridge->slots = (uint8_t *)(bridge->places + config->queue);
  bridge->table = bridge->slots + config->queue * slot_bytes;
  bridge->outcomes = bridge->table + config->peers * address_bytes;
  bridge->finished = bridge->outcomes + config->queue;
  bridge->heard = bridge->finished + config->queue;
  bridge->lines = bridge->heard + config->heard * (slot_bytes + 3);
  bridge->input = bridge->lines + config->text_bytes;
  bridge->output = bridge->input + FARDEL_BRIDGE_INPUT_BYTES(config->mtu_bytes, address_bytes);
}

int fardel_bridge_open(fardel_bridge **bridge, void *memory, size_t bytes,
                       const fardel_bridge_config *config, uint32_t incarnation, uint32_t now_us) {
  size_t needed = fardel_bridge_bytes(config);
  if (needed == 0 || incarnation == 0) return FARDEL_BRIDGE_INVALID;
  if (!memory || bytes < needed) return FARDEL_BRIDGE_NO_MEMORY;
  fardel_bridge *opened = memory;
  memset(memory, 0, needed);
  opened->config = config;
  lay_out(opened, config);
  opened->incarnation = incarnation;
  opened->second_us = now_us;
  opened->channel = config->channel;
  opened->flags = IS_PAUSE;
  fdb_open_queue(opened);
  fdb_say_hello(opened, 0);
  *bridge = opened;
  return FARDEL_BRIDGE_OK;
}

int fardel_bridge_in_session(const fardel_bridge *bridge) { return bridge->host != 0; }

void fdb_count_time(fardel_bridge *bridge, uint32_t now_us) {
  while (fdb_is_due(bridge->second_us + SECOND_US, now_us)) {
    bridge->second_us += SECOND_US;
    bridge->counts[COUNT_SECONDS]++;
  }
}

void fdb_do_timeouts(fardel_bridge *bridge, uint32_t now_us) {
  fdb_count_time(bridge, now_us);
  if (fdb_is_due(bridge->unasked_hello_us + UNASKED_HELLO_US, now_us)) {
    bridge->flags &= (uint8_t)~UNASKED_HELLO_SAID;
  }
  fdb_give_up(bridge, now_us);
  if (bridge->host && fdb_is_due(bridge->host_silent_us, now_us)) fdb_end_session(bridge);
}

int fdb_next_timeout(const fardel_bridge *bridge, uint32_t now_us, uint32_t *due_us) {
  int is_any = bridge->host != 0;
  *due_us = bridge->host_silent_us;
  for (int index = 0; index < bridge->held; index++) {
    const fardel_bridge_place *place = &bridge->places[index];
    if (!place->ticket) continue;
    if (is_any && (int32_t)(place->silent_us - *due_us) >= 0) continue;
    *due_us = place->silent_us;
    is_any = 1;
  }
  if (is_any && fdb_is_due(*due_us, now_us)) *due_us = now_us;
  return is_any;
}

void fdb_set_channel(fardel_bridge *bridge) {
  const fardel_bridge_config *config = bridge->config;
  if (!(bridge->flags & CHANNEL_WANTED) || (bridge->flags & CHANNEL_TOLD)) return;
  bridge->flags |= CHANNEL_TOLD;
  int result = config->set_channel(config->context, bridge->wanted_channel);
  if (result != FARDEL_BRIDGE_CHANNEL_LATER) fardel_bridge_channel_set(bridge, result);
}

void fardel_bridge_channel_set(fardel_bridge *bridge, int result) {
  if (!(bridge->flags & CHANNEL_WANTED)) return;
  bridge->flags &= (uint8_t)~CHANNEL_WANTED;
  int is_set = result == FARDEL_BRIDGE_CHANNEL_SET;
  if (is_set) bridge->channel = bridge->wanted_channel;
  fdb_answer_channel(bridge, bridge->wanted_request,
                     is_set ? FARDEL_BRIDGE_CHANNEL_SET : FARDEL_BRIDGE_CHANNEL_NOT_ALLOWED);
}

void fardel_bridge_channel_changed(fardel_bridge *bridge, uint8_t channel) {
  bridge->channel = channel;
  if (bridge->host) fdb_answer_channel(bridge, 0, FARDEL_BRIDGE_CHANNEL_SET);
}

uint32_t fardel_bridge_poll(fardel_bridge *bridge, uint32_t now_us) {
  uint32_t due_us;
  fdb_do_timeouts(bridge, now_us);
  fdb_set_channel(bridge);
  fdb_feed_radio(bridge, now_us);
  if (!fdb_next_timeout(bridge, now_us, &due_us)) return FARDEL_BRIDGE_POLL_US_MAX;
  return due_us - now_us;
}

const char *fardel_bridge_text(int result) {
  switch (result) {
    case FARDEL_BRIDGE_OK:
      return "Done.";
    case FARDEL_BRIDGE_INVALID:
      return "The config is not possible, or the incarnation is 0: compare each with its range.";
    case FARDEL_BRIDGE_NO_MEMORY:
      return "The block of memory is too small: give fardel_bridge_bytes() bytes.";
    default:
      return "This result is not known.";
  }
}
