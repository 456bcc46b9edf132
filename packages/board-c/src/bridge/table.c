#include <string.h>

#include "parts.h"

static uint8_t *entry(const fardel_bridge *bridge, int index) {
  return bridge->table + (size_t)index * bridge->config->address_bytes;
}

static int find(const fardel_bridge *bridge, const uint8_t *address) {
  for (int index = 0; index < bridge->table_count; index++) {
    if (memcmp(entry(bridge, index), address, bridge->config->address_bytes) == 0) return index;
  }
  return -1;
}

static void take_out(fardel_bridge *bridge, int index) {
  bridge->table_count--;
  memmove(entry(bridge, index), entry(bridge, index + 1),
          (size_t)(bridge->table_count - index) * bridge->config->address_bytes);
}

static void append(fardel_bridge *bridge, const uint8_t *address) {
  memcpy(entry(bridge, bridge->table_count++), address, bridge->config->address_bytes);
}

/* The address of everybody has its place for good. */
static int is_kept(const fardel_bridge *bridge, const uint8_t *address) {
  if (!(bridge->config->abilities & FARDEL_BRIDGE_CAN_BROADCAST)) return 0;
  for (int index = 0; index < bridge->config->address_bytes; index++) {
    if (address[index] != 0xff) return 0;
  }
  return 1;
}

/* The address that was sent to longest ago and may go. @returns 0 if there is none */
static int make_room(fardel_bridge *bridge) {
  for (int index = 0; index < bridge->table_count; index++) {
    const uint8_t *address = entry(bridge, index);
    if (is_kept(bridge, address) || fdb_is_with_radio(bridge, address)) continue;
    bridge->config->put_out(bridge->config->context, address);
    bridge->counts[COUNT_PUT_OUT]++;
    take_out(bridge, index);
    return 1;
  }
  return 0;
}

int fdb_admit(fardel_bridge *bridge, const uint8_t *to) {
  const fardel_bridge_config *config = bridge->config;
  if (config->peers == 0) return 1;
  int index = find(bridge, to);
  if (index >= 0) {
    take_out(bridge, index);
  } else {
    if (bridge->table_count == config->peers && !make_room(bridge)) return 0;
    if (config->put_in(config->context, to)) return -1;
  }
  append(bridge, to);
  return 1;
}
