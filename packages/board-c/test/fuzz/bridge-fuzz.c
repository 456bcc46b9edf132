/*
 * The bridge under arbitrary inputs: each is a config, then operations, one byte each with what belongs to
 * it behind. bridge-watch.c holds what comes of them against bridge.h and BRIDGE.md.
 */
#include "bridge-world.h"

enum { OUTPUT_BYTES_MAX = 1000000 };

static void draw_config(fuzz_input *in) {
  static const uint16_t mtus[] = {250, 64, 20, 251};
  static const uint8_t addresses[] = {6, 1, FARDEL_BRIDGE_ADDRESS_MAX, 6};
  static const uint8_t queues[] = {8, 1, 3, FARDEL_BRIDGE_QUEUE_MAX};
  static const uint16_t texts[] = {500, 0, 40, 900};
  uint8_t first = fuzz_byte(in);
  uint8_t second = fuzz_byte(in);
  fardel_bridge_config *config = &it.config;
  numbered_address(7, it.address);
  memset(it.name, 'n', first >> 6 == 3 ? FARDEL_BRIDGE_NAME_MAX : first >> 6);
  config->address = it.address;
  config->name = first >> 6 ? it.name : NULL;
  config->mtu_bytes = mtus[first & 3];
  config->address_bytes = addresses[first >> 2 & 3];
  config->queue = queues[first >> 4 & 3];
  config->text_bytes = texts[second & 3];
  config->heard = (uint8_t)(1 + (second >> 2 & 3));
  config->peers = second >> 4 & 3;
  config->radio_depth = (uint8_t)(1 + (first >> 3 & 7));
  config->framing = second >> 6 & 1;
  config->abilities = second & 0x80 ? FARDEL_BRIDGE_CAN_BROADCAST : 0;
  config->channel = 1;
}

/* Any field may have any value. */
static void draw_any_config(fuzz_input *in) {
  fardel_bridge_config *config = &it.config;
  config->mtu_bytes = fuzz_u16(in) % 1600;
  config->address_bytes = fuzz_choice(in, 20);
  config->queue = fuzz_choice(in, 70);
  config->heard = fuzz_choice(in, 20);
  config->peers = fuzz_byte(in);
  config->radio_depth = fuzz_byte(in);
  config->framing = fuzz_choice(in, 3);
  config->abilities = fuzz_byte(in);
}

/* @returns 0 if the config is not possible */
static int open_world(fuzz_input *in) {
  memset(&it, 0, sizeof it);
  draw_config(in);
  uint8_t how = fuzz_byte(in);
  if (how == UINT8_MAX) draw_any_config(in);
  it.now_us = how & 1 ? 0xFFFFF000u : how & 2 ? 0x7FFFF000u : 0;
  watch_callbacks(&it.config);
  if (how & 4) it.config.set_channel = NULL;
  size_t bytes = fardel_bridge_bytes(&it.config);
  it.memory = malloc(bytes + 1);
  if (bytes == 0) {
    EXPECT(fardel_bridge_open(&it.bridge, it.memory, 1, &it.config, 1, 0) == FARDEL_BRIDGE_INVALID,
           "a config that is not possible is refused");
    return 0;
  }
  EXPECT(fardel_bridge_open(&it.bridge, it.memory, bytes - 1, &it.config, 1, 0) ==
             FARDEL_BRIDGE_NO_MEMORY,
         "a bridge is not opened in too little memory");
  free(it.memory);
  it.memory = malloc(bytes);
  EXPECT(fardel_bridge_open(&it.bridge, it.memory, bytes, &it.config, 0xB0A2D, it.now_us) ==
             FARDEL_BRIDGE_OK,
         "a bridge is opened in as much as it needs");
  return 1;
}

/* ---- from the host */

static void receive(const uint8_t *bytes, size_t count) {
  uint8_t *copy = fuzz_copy(bytes, count);
  fardel_bridge_bytes_received(it.bridge, copy, count, it.now_us);
  watch_bridge();
  free(copy);
}

/* @returns behind the delimiter */
static uint8_t *stuff(const uint8_t *from, size_t count, uint8_t *into) {
  if (it.config.framing == FARDEL_BRIDGE_SLIP) {
    for (size_t i = 0; i < count; i++) {
      int is_special = from[i] == SLIP_DELIMITER || from[i] == SLIP_ESCAPE;
      if (is_special) *into++ = SLIP_ESCAPE;
      *into++ = !is_special ? from[i]
                            : from[i] == SLIP_DELIMITER ? SLIP_ESCAPED_DELIMITER : SLIP_ESCAPED_ESCAPE;
    }
    *into++ = SLIP_DELIMITER;
    return into;
  }
  uint8_t *code = into++;
  *code = 1;
  for (size_t i = 0; i < count; i++) {
    if (from[i]) {
      *into++ = from[i];
      ++*code;
    }
    if (from[i] && *code < UINT8_MAX) continue;
    code = into++;
    *code = 1;
  }
  *into++ = COBS_DELIMITER;
  return into;
}

/* A frame with its CRC put right, and damaged once more if that is wanted. */
static void say(const uint8_t *body, size_t bytes, uint8_t damage) {
  uint8_t frame[FRAME_BYTES_MAX + CRC_BYTES];
  uint8_t line[2 * FRAME_BYTES_MAX];
  uint16_t crc = FARDEL_CRC16_START;
  memcpy(frame, body, bytes);
  if (body[0] == TYPE_SEND_AGAIN && it.bridge->flags & HAS_IMPLIED_TO)
    crc = fardel_crc16(crc, it.bridge->implied_to, it.config.address_bytes);
  crc = (uint16_t)~fardel_crc16(crc, body, bytes);
  frame[bytes] = (uint8_t)crc;
  frame[bytes + 1] = (uint8_t)(crc >> 8);
  uint8_t *end = stuff(frame, bytes + CRC_BYTES, line);
  size_t count = (size_t)(end - line);
  if (damage > 250) line[damage % count] ^= 1;
  if (damage > 245) count--;
  receive(line, count);
}

static void say_send(fuzz_input *in, uint8_t type) {
  uint8_t body[FRAME_BYTES_MAX] = {type};
  uint8_t how = fuzz_byte(in);
  uint8_t length = fuzz_byte(in);
  /* Mostly the next token; else one that comes after it, or before. */
  body[1] = (uint8_t)(it.bridge->next_number + (how & 0x80 ? (int8_t)(how << 3) / 8 : 0));
  uint8_t *at = body + 2;
  if (type == TYPE_SEND) {
    numbered_address(how & 3, at);
    at += it.config.address_bytes;
  }
  memset(at, length, length);
  say(body, (size_t)(at - body) + length, fuzz_byte(in));
}

static void say_any(fuzz_input *in) {
  size_t bytes = 1 + (size_t)fuzz_choice(in, 80);
  uint8_t *body = fuzz_bytes(in, &bytes);
  if (bytes > 0) say(body, bytes, 0);
  free(body);
}

static void say_hello(uint8_t host) {
  uint8_t body[] = {TYPE_HELLO_REQUEST, 1, 1, 0, 0, 0, (uint8_t)(host & 3)};
  if (host & 4) body[1] = 2;
  if (host & 8) body[2] = 9;
  say(body, sizeof body, 0);
}

static void ask(uint8_t which, uint8_t request) {
  static const uint8_t types[] = {TYPE_STATUS_REQUEST, TYPE_STATISTICS_REQUEST,
                                  TYPE_CHANNEL_REQUEST, TYPE_GOODBYE};
  uint8_t body[] = {types[which & 3], request, (uint8_t)(request >> 4)};
  say(body, types[which & 3] == TYPE_CHANNEL_REQUEST ? 3 : 2, 0);
}

static void receive_raw(fuzz_input *in) {
  size_t count = fuzz_byte(in);
  uint8_t *bytes = fuzz_bytes(in, &count);
  receive(bytes, count);
  free(bytes);
}

/* ---- from the radio */

static void hear(fuzz_input *in) {
  uint8_t from = fuzz_choice(in, NUMBERED);
  uint8_t length = fuzz_byte(in);
  uint8_t address[FARDEL_BRIDGE_ADDRESS_MAX];
  uint8_t datagram[UINT8_MAX];
  uint8_t waiting = it.bridge->heard_count;
  if (it.heard_end == HEARD_MAX) return;
  numbered_address(from, address);
  memset(datagram, numbered_byte(from, length), sizeof datagram);
  uint8_t *copy = fuzz_copy(datagram, length);
  fardel_bridge_heard(it.bridge, address, copy, length, (int8_t)-length);
  free(copy);
  if (it.bridge->heard_count > waiting)
    it.heard[it.heard_end++] = (heard){(int8_t)-length, from, length};
}

static void log_line(fuzz_input *in) {
  uint8_t level = fuzz_byte(in);
  size_t count = fuzz_byte(in);
  uint8_t *bytes = fuzz_bytes(in, &count);
  char *text = malloc(count + 1);
  for (size_t i = 0; i < count; i++) text[i] = (char)bytes[i];
  text[count] = 0;
  fardel_bridge_log(it.bridge, level, text);
  free(text);
  free(bytes);
}

/* ---- time, and the line to the host */

static void poll(void) {
  uint32_t wait_us = 0;
  for (int left = 4; wait_us == 0; left--) {
    EXPECT(left > 0, "fardel_bridge_poll() does what is due");
    wait_us = fardel_bridge_poll(it.bridge, it.now_us);
    watch_bridge();
  }
  EXPECT(wait_us <= FARDEL_BRIDGE_POLL_US_MAX, "fardel_bridge_poll() wants to be called in time");
}

static void pass(uint32_t us) {
  it.now_us += us;
  give_up_aired(us);
  poll();
}

/* @returns whether there may be more */
static int read_line(size_t max) {
  uint8_t *bytes = malloc(max > 0 ? max : 1);
  int had_output = fardel_bridge_has_output(it.bridge);
  size_t count = fardel_bridge_output(it.bridge, bytes, max, it.now_us);
  EXPECT(count <= max, "no more bytes come than were asked for");
  EXPECT(had_output || count == 0, "nothing comes where nothing was said to be");
  EXPECT(count == max || !fardel_bridge_has_output(it.bridge), "less than asked for: that was all");
  for (size_t i = 0; i < count; i++) watch_line(bytes[i]);
  free(bytes);
  watch_bridge();
  return count == max;
}

static void read_all(void) {
  size_t left = OUTPUT_BYTES_MAX;
  while (read_line(64)) {
    left -= 64;
    EXPECT(left > 64, "without news there is an end to what is said");
  }
}

static void operate(fuzz_input *in) {
  static const uint32_t steps[] = {1,      100,    1000,    10000,    99999,    100000, 500000, 1000000,
                                   999999, 250000, 2000000, 10000000, 61000000, 0,      3000,   FARDEL_BRIDGE_POLL_US_MAX};
  uint8_t what = fuzz_byte(in);
  uint8_t value = what >> 4;
  FUZZ_SAY("%u: operation %u, %u\n", it.now_us, what & 15, value);
  switch (what & 15) {
    case 0:
    case 1: say_send(in, TYPE_SEND); break;
    case 2: say_send(in, TYPE_SEND_AGAIN); break;
    case 3: say_hello(value); break;
    case 4: ask(value, fuzz_byte(in)); break;
    case 5: say_any(in); break;
    case 6: receive_raw(in); break;
    case 7: hear(in); break;
    case 8: finish_aired(value, fuzz_byte(in) % 9); break;
    case 9: pass(steps[value]); break;
    case 10: read_line(fuzz_byte(in)); break;
    case 11: read_all(); break;
    case 12: log_line(in); break;
    case 13:
      if (value & 1) fardel_bridge_channel_set(it.bridge, value >> 1 & 3);
      else fardel_bridge_channel_changed(it.bridge, value);
      break;
    case 14: it.moods[value & 3] = fuzz_byte(in); break;
    default: poll();
  }
  watch_bridge();
}

/* All that was handed over comes to its end, with the radio's word or without. */
static void close_world(void) {
  memset(it.moods, 0, sizeof it.moods);
  for (int left = it.config.queue + 2; left > 0; left--) pass(RADIO_SILENCE_US);
  EXPECT(it.bridge->held == 0, "no datagram is held for ever");
  read_all();
  EXPECT(it.line_length == 0, "the line ends with a frame");
  for (int place = 0; place < FARDEL_BRIDGE_QUEUE_MAX; place++) free(it.aired[place].copy);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  fuzz_input in = {data, data + size};
  if (open_world(&in)) {
    while (!fuzz_is_empty(&in)) operate(&in);
    close_world();
  }
  free(it.memory);
  return 0;
}
