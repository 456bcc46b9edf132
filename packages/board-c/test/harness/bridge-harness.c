/*
 * Bridges for tests: what bridge.h has, and a look inside where a test wants its steps apart. The test
 * itself stands behind the callbacks.
 *
 * Bridges are numbered from 1. The memory of the oldest is used again; calls to it then do nothing.
 */
#include "harness.h"

#include <string.h>

#include "../../src/bridge/parts.h"

/* What the test is called back for. */
enum {
  /* (ticket) address and datagram. Answers what `transmit` returns. */
  TOLD_TRANSMIT = 1,
  /* Address. Answers what `put_in` returns. */
  TOLD_PUT_IN,
  TOLD_PUT_OUT,
  /* (channel) Answers what `set_channel` returns. */
  TOLD_CHANNEL,
  /* Bytes for the line. */
  TOLD_LINE,
  /* Body of an undamaged frame. */
  TOLD_BODY,
  /* All counts, u32 each. */
  TOLD_COUNTS,
  TOLD_TEXT
};

/* Enough for a queue of 64 and 64 heard, of 1500 bytes. */
enum { BRIDGES = 24, MEMORY_BYTES = 208 * 1024, LINE_BYTES = 4096 };

typedef struct bench {
  int number;
  fardel_bridge *bridge;
  fardel_bridge_config config;
  uint8_t address[FARDEL_BRIDGE_ADDRESS_MAX];
  char name[256];
} bench;

static bench benches[BRIDGES];
static int opened;

/* The block of one bridge: of the exact size where something watches over its ends. */
static void *memory_for(int place, size_t bytes) {
#ifdef __wasm__
  static void *pool[BRIDGES][MEMORY_BYTES / sizeof(void *)];
  return bytes <= sizeof pool[place] ? pool[place] : NULL;
#else
  static void *pool[BRIDGES];
  free(pool[place]);
  return pool[place] = malloc(bytes);
#endif
}

static fardel_bridge *at(int number) {
  bench *found = &benches[number % BRIDGES];
  return found->number == number ? found->bridge : NULL;
}

/* ---- callbacks */

static bench *asked(void *context) { return context; }

static int transmit(void *context, uint16_t ticket, const uint8_t *to, const uint8_t *datagram,
                    uint16_t bytes) {
  (void)datagram; /* right behind the address */
  return TELL(TOLD_TRANSMIT, asked(context)->number, ticket, to,
              asked(context)->config.address_bytes + bytes);
}

static int put_in(void *context, const uint8_t *address) {
  const bench *of = asked(context);
  return TELL(TOLD_PUT_IN, of->number, 0, address, of->config.address_bytes);
}

static void put_out(void *context, const uint8_t *address) {
  const bench *of = asked(context);
  TELL(TOLD_PUT_OUT, of->number, 0, address, of->config.address_bytes);
}

static int set_channel(void *context, uint8_t channel) {
  return TELL(TOLD_CHANNEL, asked(context)->number, channel, NULL, 0);
}

/* ---- bridge.h */

static uint32_t get_u32(const uint8_t *bytes) {
  return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
}

static uint8_t *put_u32(uint8_t *at, uint32_t value) {
  for (int shift = 24; shift >= 0; shift -= 8) *at++ = (uint8_t)(value >> shift);
  return at;
}

/* Fields of u32 each, in the order of bridge-program.ts, then address and name. */
enum { FIELDS = 13 };

static void read_config(bench *of, const uint8_t *from, int count) {
  fardel_bridge_config *config = &of->config;
  uint32_t field[FIELDS];
  for (int index = 0; index < FIELDS; index++) field[index] = get_u32(from + 4 * index);
  const uint8_t *rest = from + 4 * FIELDS;
  size_t name_bytes = (size_t)count - 4 * FIELDS - field[4];
  memset(of, 0, sizeof *of);
  memcpy(of->address, rest, field[4]);
  memcpy(of->name, rest + field[4], name_bytes);
  config->context = of;
  config->address = of->address;
  config->name = of->name;
  config->airtime_per_byte_ns = field[0];
  config->airtime_fixed_us = (uint16_t)field[1];
  config->mtu_bytes = (uint16_t)field[2];
  config->text_bytes = (uint16_t)field[3];
  config->address_bytes = (uint8_t)field[4];
  config->queue = (uint8_t)field[5];
  config->heard = (uint8_t)field[6];
  config->peers = (uint8_t)field[7];
  config->radio_depth = (uint8_t)field[8];
  config->channel = (uint8_t)field[9];
  config->abilities = (uint8_t)field[10];
  config->framing = (uint8_t)field[11];
  config->transmit = transmit;
  config->put_in = field[7] ? put_in : NULL;
  config->put_out = field[7] ? put_out : NULL;
  config->set_channel = field[12] ? set_channel : NULL;
}

/* @returns number of the bridge, or what fardel_bridge_open() returns if that is less than 0 */
EXPORT int bridge_open(int count, int incarnation, int now) {
  int number = opened + 1;
  bench *of = &benches[number % BRIDGES];
  read_config(of, INPUT, count);
  size_t bytes = fardel_bridge_bytes(&of->config);
  void *memory = memory_for(number % BRIDGES, bytes);
  int result = fardel_bridge_open(&of->bridge, memory, bytes, &of->config, (uint32_t)incarnation,
                                  (uint32_t)now);
  if (result < 0) return result;
  of->number = opened = number;
  return number;
}

EXPORT int bridge_bytes_received(int number, int count, int now) {
  fardel_bridge *bridge = at(number);
  if (bridge) fardel_bridge_bytes_received(bridge, INPUT, (size_t)count, (uint32_t)now);
  return 0;
}

/* Sender and datagram. */
EXPORT int bridge_heard(int number, int count, int rssi) {
  fardel_bridge *bridge = at(number);
  if (!bridge) return 0;
  int address_bytes = bridge->config->address_bytes;
  fardel_bridge_heard(bridge, INPUT, INPUT + address_bytes, (uint16_t)(count - address_bytes),
                      (int8_t)rssi);
  return 0;
}

EXPORT int bridge_outcome(int number, int ticket, int outcome) {
  fardel_bridge *bridge = at(number);
  if (bridge) fardel_bridge_outcome(bridge, (uint16_t)ticket, outcome);
  return 0;
}

EXPORT int bridge_channel_set(int number, int result) {
  fardel_bridge *bridge = at(number);
  if (bridge) fardel_bridge_channel_set(bridge, result);
  return 0;
}

EXPORT int bridge_channel_changed(int number, int channel) {
  fardel_bridge *bridge = at(number);
  if (bridge) fardel_bridge_channel_changed(bridge, (uint8_t)channel);
  return 0;
}

EXPORT int bridge_log(int number, int count, int level) {
  fardel_bridge *bridge = at(number);
  char text[1024];
  memcpy(text, INPUT, (size_t)count);
  text[count] = 0;
  if (bridge) fardel_bridge_log(bridge, (uint8_t)level, text);
  return 0;
}

EXPORT int bridge_poll(int number, int now) {
  fardel_bridge *bridge = at(number);
  return bridge ? (int)fardel_bridge_poll(bridge, (uint32_t)now) : 0;
}

/* Bytes for the line by TOLD_LINE, at most 4096. @returns their number */
EXPORT int bridge_output(int number, int max, int now) {
  fardel_bridge *bridge = at(number);
  uint8_t line[LINE_BYTES];
  if (!bridge) return 0;
  size_t count = fardel_bridge_output(bridge, line, (size_t)max, (uint32_t)now);
  if (count > 0) TELL(TOLD_LINE, number, 0, line, (int)count);
  return (int)count;
}

EXPORT int bridge_has_output(int number) {
  const fardel_bridge *bridge = at(number);
  return bridge ? fardel_bridge_has_output(bridge) : 0;
}

EXPORT int bridge_in_session(int number) {
  const fardel_bridge *bridge = at(number);
  return bridge ? fardel_bridge_in_session(bridge) : 0;
}

/* ---- steps of fardel_bridge_poll(), and what is inside */

EXPORT int bridge_timeouts(int number, int now) {
  fardel_bridge *bridge = at(number);
  if (bridge) fdb_do_timeouts(bridge, (uint32_t)now);
  return 0;
}

EXPORT int bridge_ask_channel(int number) {
  fardel_bridge *bridge = at(number);
  if (bridge) fdb_set_channel(bridge);
  return 0;
}

EXPORT int bridge_feed_radio(int number, int now) {
  fardel_bridge *bridge = at(number);
  if (bridge) fdb_feed_radio(bridge, (uint32_t)now);
  return 0;
}

/* @returns microseconds until the next timeout, or -1: there is none */
EXPORT int bridge_timeout(int number, int now) {
  const fardel_bridge *bridge = at(number);
  uint32_t due_us;
  if (!bridge || !fdb_next_timeout(bridge, (uint32_t)now, &due_us)) return -1;
  return (int)(due_us - (uint32_t)now);
}

/*
 * The next frame, whole, by TOLD_LINE.
 * @param is_pause whether nothing leaves right before it
 */
EXPORT int bridge_frame(int number, int is_pause, int now) {
  fardel_bridge *bridge = at(number);
  uint8_t line[LINE_BYTES];
  size_t count = 0;
  if (!bridge) return 0;
  bridge->flags = (uint8_t)(is_pause ? bridge->flags | IS_PAUSE : bridge->flags & ~IS_PAUSE);
  do {
    count += fardel_bridge_output(bridge, line + count, 1, (uint32_t)now);
  } while (bridge->output_length > 0);
  if (count > 0) TELL(TOLD_LINE, number, 0, line, (int)count);
  return (int)count;
}

EXPORT int bridge_counts(int number, int now) {
  fardel_bridge *bridge = at(number);
  uint8_t all[4 * FARDEL_BRIDGE_COUNTS];
  uint8_t *end = all;
  if (!bridge) return 0;
  fdb_count_time(bridge, (uint32_t)now);
  for (int index = 0; index < FARDEL_BRIDGE_COUNTS; index++) {
    end = put_u32(end, bridge->counts[index]);
  }
  TELL(TOLD_COUNTS, number, 0, all, (int)sizeof all);
  return 0;
}

/* As bridge_bytes_received, byte by byte; undamaged bodies are told by TOLD_BODY. */
EXPORT int bridge_watch_bytes(int number, int count, int now) {
  fardel_bridge *bridge = at(number);
  for (int index = 0; bridge && index < count; index++) {
    uint8_t byte = INPUT[index];
    uint16_t length = bridge->input_length;
    uint32_t good = bridge->counts[COUNT_GOOD];
    fardel_bridge_bytes_received(bridge, &byte, 1, (uint32_t)now);
    if (bridge->counts[COUNT_GOOD] == good) continue;
    TELL(TOLD_BODY, number, 0, bridge->input, length - 2);
  }
  return 0;
}

/* The ledger of a long session: pairs of token and outcome, the last finished first. */
EXPORT int bridge_set_ledger(int number, int count, int next_token) {
  fardel_bridge *bridge = at(number);
  if (!bridge) return 0;
  uint8_t queue = bridge->config->queue;
  bridge->next_number = 256u + (uint32_t)next_token;
  bridge->next_place = (uint8_t)(bridge->next_number % queue);
  for (int pair = count - 2; pair >= 0; pair -= 2) {
    uint8_t back = (uint8_t)(next_token - INPUT[pair]);
    fdb_finish_token(bridge, bridge->next_number - back, INPUT[pair + 1]);
  }
  return 0;
}

EXPORT int bridge_set_count(int number, int index, int count) {
  fardel_bridge *bridge = at(number);
  if (bridge) bridge->counts[index] = (uint32_t)count;
  return 0;
}

EXPORT int bridge_set_ticket(int number, int ticket) {
  fardel_bridge *bridge = at(number);
  if (bridge) bridge->last_ticket = (uint16_t)ticket;
  return 0;
}

EXPORT int bridge_set_sequence(int number, int sequence) {
  fardel_bridge *bridge = at(number);
  if (bridge) bridge->sequence = (uint8_t)sequence;
  return 0;
}

/* @returns what fardel_bridge_open() does when it gets so many bytes less than it needs */
EXPORT int bridge_open_short(int count, int less) {
  bench of;
  fardel_bridge *bridge;
  read_config(&of, INPUT, count);
  size_t bytes = fardel_bridge_bytes(&of.config) - (size_t)less;
  return fardel_bridge_open(&bridge, memory_for(0, bytes), bytes, &of.config, 1, 0);
}

/* @returns bytes of a bridge's memory by the function, less those by the macro; 0 if it is right */
EXPORT int bridge_bytes_differ(int count) {
  bench of;
  read_config(&of, INPUT, count);
  const fardel_bridge_config *config = &of.config;
  return (int)fardel_bridge_bytes(config) -
         (int)FARDEL_BRIDGE_BYTES(config->mtu_bytes, config->address_bytes, config->queue,
                                  config->peers, config->heard, config->text_bytes);
}

static size_t length_of(const char *text) {
  size_t length = 0;
  while (text[length]) length++;
  return length;
}

EXPORT int bridge_text(int result) {
  const char *text = fardel_bridge_text(result);
  return TELL(TOLD_TEXT, 0, result, (const uint8_t *)text, (int)length_of(text));
}
