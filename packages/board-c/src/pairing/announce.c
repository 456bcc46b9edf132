/* To be found: ANNOUNCE and QUERY; PROTOCOL.md, section 15. */
#include "../checksum.h"
#include "parts.h"

#define VERSION 1
#define FLAG_PAIRING 1
#define QUERY_PAIRING 1
#define ANNOUNCE_EVERY_US 400000u
/** Answers to queries: so many a second on average, so many in a row. */
#define ANSWERS_PER_S 4
#define ANSWERS_IN_A_ROW 8
#define ANSWER_US (1000000u / ANSWERS_PER_S)
/** Larger messages than a varint of four bytes can tell are told as this. */
#define VARINT_MAX 0x3FFFFFFFu
/** All but kind, name and message: head, version, flags, MTU, window, lengths of two texts, CRC. */
#define AROUND_BYTES (SESSIONLESS_HEAD_BYTES + 5 + 2 + CRC_BYTES)

static uint32_t message_bytes(const fardel_pairing_config *config) {
  return config->message_bytes_max < VARINT_MAX ? config->message_bytes_max : VARINT_MAX;
}

/* Room for the name; less than 0: not even for its length. */
static int name_room(const fardel_pairing_config *config) {
  return (int)config->mtu_bytes - AROUND_BYTES - fdl_varint_bytes(message_bytes(config)) -
         fdl_text_bytes(config->kind, FARDEL_KIND_BYTES_MAX);
}

int fdl_can_announce(const fardel_pairing_config *config) {
  return config->kind && config->name && config->mtu_bytes <= FARDEL_MTU_MAX &&
         config->window > 0 && config->mtu_bytes >= FARDEL_MTU_MIN &&
         !config->kind[fdl_text_bytes(config->kind, FARDEL_KIND_BYTES_MAX)] &&
         !config->name[fdl_text_bytes(config->name, FARDEL_NAME_BYTES_MAX)] && name_room(config) >= 0;
}

/* Of the name, those that are announced. */
static uint16_t name_bytes_max(const fardel_pairing_config *config) {
  int room = name_room(config);
  return (uint16_t)(room < FARDEL_NAME_BYTES_MAX ? room : FARDEL_NAME_BYTES_MAX);
}

uint8_t *fdl_put_announcement(const fardel_pairing *pairing, uint8_t *at) {
  const fardel_pairing_config *config = pairing->config;
  int is_open = fdl_pairing_is_armed(pairing, T_MODE);
  *at++ = VERSION;
  *at++ = (uint8_t)((is_open ? FLAG_PAIRING : 0) |
                    (config->takes & (FARDEL_TAKES_PLAIN | FARDEL_TAKES_PROTECTED)) |
                    fdl_ways_open(pairing) << 4);
  at = fdl_put_u16(at, config->mtu_bytes);
  *at++ = config->window;
  at = fdl_put_varint(at, message_bytes(config));
  at = fdl_put_text(at, config->kind, FARDEL_KIND_BYTES_MAX);
  return fdl_put_text(at, config->name, name_bytes_max(config));
}

void fdl_plan_announcement(fardel_pairing *pairing) {
  uint32_t wait = ANNOUNCE_EVERY_US / 2 + fdl_pairing_draw(pairing, ANNOUNCE_EVERY_US);
  fdl_pairing_arm(pairing, T_ANNOUNCE, wait);
}

/* Whether a query of this sender with this number was answered. */
static int is_known_query(const fardel_pairing *pairing, const uint8_t *address, uint32_t id) {
  for (uint8_t i = 0; i < FARDEL_ASKERS; i++)
    if (pairing->askers[i].is_used && pairing->askers[i].id == id &&
        memcmp(pairing->askers[i].address, address, FARDEL_ADDRESS_BYTES) == 0)
      return 1;
  return 0;
}

static void remember_query(fardel_pairing *pairing, const uint8_t *address, uint32_t id) {
  uint8_t place = pairing->askers_next;
  pairing->askers[place].id = id;
  pairing->askers[place].is_used = 1;
  memcpy(pairing->askers[place].address, address, FARDEL_ADDRESS_BYTES);
  pairing->askers_next = (uint8_t)(place + 1 < FARDEL_ASKERS ? place + 1 : 0);
}

/* One more answer, if there may be one: each fills a quarter of a second, and they may lie that far ahead. */
static int may_answer(fardel_pairing *pairing) {
  uint32_t ahead = pairing->at[T_LIMIT] - pairing->now_us;
  if (!fdl_pairing_is_armed(pairing, T_LIMIT) || (int32_t)ahead < 0) ahead = 0;
  if (ahead > (ANSWERS_IN_A_ROW - 1) * ANSWER_US) return 0;
  fdl_pairing_arm(pairing, T_LIMIT, ahead + ANSWER_US);
  return 1;
}

/* A CRC is linear: without this two boards that share a bit would share it in every query. */
static uint32_t mixed(uint32_t hash) {
  hash ^= hash >> 16;
  hash *= 0x85EBCA6Bu;
  hash ^= hash >> 13;
  hash *= 0xC2B2AE35u;
  return hash ^ hash >> 16;
}

/* Whether the asker has heard us: our bit in its map is set. */
static int is_in_map(const fardel_pairing *pairing, const uint8_t *id, const uint8_t *map,
                     uint8_t map_bytes) {
  if (map_bytes == 0) return 0;
  uint32_t hash = fardel_crc32(fardel_crc32(0, id, 4), pairing->config->address, FARDEL_ADDRESS_BYTES);
  uint16_t bit = (uint16_t)(mixed(hash) % (8u * map_bytes));
  return map[bit >> 3] >> (7 - (bit & 7)) & 1;
}

/* Whether a text of the query is how ours begins, as far as that is announced. */
static int begins_with(const char *own, uint16_t bytes_max, const uint8_t *text, uint8_t count) {
  return count <= fdl_text_bytes(own, bytes_max) && memcmp(own, text, count) == 0;
}

void fdl_query(fardel_pairing *pairing, const uint8_t *address, fdl_reader *in) {
  const fardel_pairing_config *config = pairing->config;
  uint8_t kind_bytes;
  uint8_t prefix_bytes;
  uint8_t map_bytes;
  const uint8_t *head = fdl_read(in, 7);
  const uint8_t *kind = head ? fdl_read_text(in, &kind_bytes) : NULL;
  const uint8_t *prefix = kind ? fdl_read_text(in, &prefix_bytes) : NULL;
  const uint8_t *map = prefix ? fdl_read_text(in, &map_bytes) : NULL;
  if (!map) return;
  if (head[6] & QUERY_PAIRING && !fdl_pairing_is_armed(pairing, T_MODE)) return;
  if (kind_bytes > 0 && (!begins_with(config->kind, FARDEL_KIND_BYTES_MAX, kind, kind_bytes) ||
                         config->kind[kind_bytes]))
    return;
  if (!begins_with(config->name, name_bytes_max(config), prefix, prefix_bytes)) return;
  uint32_t id = fdl_get_u32(head);
  if (is_in_map(pairing, head, map, map_bytes) || is_known_query(pairing, address, id)) return;
  uint32_t wait = fdl_pairing_draw(pairing, fdl_get_u16(head + 4) * 1000u);
  int is_another = memcmp(pairing->asker, address, FARDEL_ADDRESS_BYTES) != 0;
  /* Or anybody could silence us by asking for late answers. */
  if (fdl_pairing_is_armed(pairing, T_REPLY) && is_another &&
      (int32_t)(pairing->now_us + wait - pairing->at[T_REPLY]) >= 0)
    return;
  if (!may_answer(pairing)) return;
  remember_query(pairing, address, id);
  memcpy(pairing->asker, address, FARDEL_ADDRESS_BYTES);
  pairing->due &= (uint8_t)~DUE_REPLY;
  fdl_pairing_arm(pairing, T_REPLY, wait);
}
