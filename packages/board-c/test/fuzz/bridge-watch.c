/* What a bridge does, held against what bridge.h and BRIDGE.md promise. */
#include "bridge-world.h"

world it;

static int roll(int mood) {
  int bit = it.moods[mood] >> (it.rolls[mood] & 7) & 1;
  it.rolls[mood]++;
  return bit;
}

/* Of number 0 all bytes are ones: everybody. */
void numbered_address(uint8_t number, uint8_t *address) {
  memset(address, number ? number : 0xFF, FARDEL_BRIDGE_ADDRESS_MAX);
}

uint8_t numbered_byte(uint8_t from, uint8_t length) { return (uint8_t)(from * 31 + length); }

static int is_same(const uint8_t *one, const uint8_t *other) {
  return memcmp(one, other, it.config.address_bytes) == 0;
}

/* ---- the radio */


static int in_table(const uint8_t *address) {
  for (int index = 0; index < it.table_count; index++)
    if (is_same(it.table[index], address)) return index;
  return -1;
}

static void drop_aired(aired *each) {
  free(each->copy);
  memset(each, 0, sizeof *each);
}

void give_up_aired(uint32_t silent_us) {
  for (int place = 0; place < FARDEL_BRIDGE_QUEUE_MAX; place++) {
    aired *each = &it.aired[place];
    each->silent_us += silent_us;
    if (each->ticket && each->silent_us >= RADIO_SILENCE_US) drop_aired(each);
  }
}

void finish_aired(uint8_t place, int outcome) {
  aired *each = &it.aired[place % FARDEL_BRIDGE_QUEUE_MAX];
  uint16_t ticket = each->ticket ? each->ticket : (uint16_t)(place * 257);
  if (each->ticket) {
    EXPECT(memcmp(each->lies, each->copy, each->bytes) == 0, "bytes stay while the radio has them");
    drop_aired(each);
  }
  fardel_bridge_outcome(it.bridge, ticket, outcome);
}

static int transmit(void *context, uint16_t ticket, const uint8_t *to, const uint8_t *datagram,
                    uint16_t bytes) {
  int place = -1;
  int current = 0;
  EXPECT(context == &it, "callbacks get their context");
  EXPECT(bytes <= it.config.mtu_bytes, "a datagram is not longer than the MTU");
  EXPECT(ticket, "a ticket is not 0");
  EXPECT(it.config.peers == 0 || in_table(to) >= 0, "the radio's table has the address");
  for (int index = FARDEL_BRIDGE_QUEUE_MAX; index-- > 0;) {
    aired *each = &it.aired[index];
    EXPECT(each->ticket != ticket, "a ticket names one datagram");
    current += each->ticket != 0;
    if (!each->ticket) place = index;
  }
  EXPECT(current < it.config.radio_depth && place >= 0, "the radio is not given more than it takes");
  FUZZ_SAY("  transmit %u bytes, ticket %u\n", bytes, ticket);
  if (roll(MOOD_REFUSE)) return -1;
  aired *each = &it.aired[place];
  each->ticket = ticket;
  each->bytes = bytes;
  each->silent_us = 0;
  each->lies = datagram;
  each->copy = fuzz_copy(datagram, bytes);
  memcpy(each->to, to, it.config.address_bytes);
  if (roll(MOOD_AT_ONCE)) finish_aired((uint8_t)place, FARDEL_BRIDGE_ACKNOWLEDGED);
  return 0;
}

static int put_in(void *context, const uint8_t *address) {
  EXPECT(context == &it, "callbacks get their context");
  EXPECT(in_table(address) < 0, "an address is put in once");
  EXPECT(it.table_count < it.config.peers, "there is a free place in the table");
  if (roll(MOOD_FULL_TABLE)) return -1;
  memcpy(it.table[it.table_count++], address, it.config.address_bytes);
  return 0;
}

static void put_out(void *context, const uint8_t *address) {
  int index = in_table(address);
  EXPECT(context == &it, "callbacks get their context");
  EXPECT(index >= 0, "only who is in is put out");
  for (int place = 0; place < FARDEL_BRIDGE_QUEUE_MAX; place++)
    EXPECT(!it.aired[place].ticket || !is_same(it.aired[place].to, address),
           "nobody is put out whose datagram is with the radio");
  it.table_count--;
  memcpy(it.table[index], it.table[it.table_count], it.config.address_bytes);
}

static int set_channel(void *context, uint8_t channel) {
  EXPECT(context == &it, "callbacks get their context");
  EXPECT(channel, "a channel is not 0");
  return roll(MOOD_CHANNEL) ? FARDEL_BRIDGE_CHANNEL_LATER : roll(MOOD_CHANNEL);
}

void watch_callbacks(fardel_bridge_config *config) {
  config->context = &it;
  config->transmit = transmit;
  config->put_in = config->peers ? put_in : NULL;
  config->put_out = config->peers ? put_out : NULL;
  config->set_channel = set_channel;
}

void watch_bridge(void) {
  const fardel_bridge *bridge = it.bridge;
  EXPECT(bridge->held <= it.config.queue, "it holds no more than its queue");
  EXPECT(bridge->with_radio <= it.config.radio_depth && bridge->with_radio <= bridge->held,
         "what is with the radio is held");
  EXPECT(bridge->heard_count <= it.config.heard, "what was heard has its limit");
  EXPECT(bridge->finished_count <= it.config.queue && bridge->untold <= bridge->finished_count,
         "outcomes are told of as many tokens as the queue has places");
  EXPECT(bridge->lines_length <= it.config.text_bytes, "text has its limit");
}

/* ---- the line */

/* @returns its length; less: it is none */
static int unstuff(const uint8_t *from, size_t count, uint8_t *into) {
  uint8_t *at = into;
  if (it.config.framing == FARDEL_BRIDGE_SLIP) {
    for (size_t i = 0; i < count; i++) {
      uint8_t byte = from[i];
      if (byte == SLIP_ESCAPE && ++i < count)
        byte = from[i] == SLIP_ESCAPED_DELIMITER ? SLIP_DELIMITER : SLIP_ESCAPE;
      *at++ = byte;
    }
    return (int)(at - into);
  }
  for (size_t i = 0; i < count;) {
    uint8_t code = from[i++];
    if (code == 0 || i + code - 1 > count) return -1;
    for (uint8_t left = code; left > 1; left--) *at++ = from[i++];
    if (code != 0xFF && i < count) *at++ = 0;
  }
  return (int)(at - into);
}

/* What it says that it has heard is among what the radio heard, in that order. */
static void watch_received(const uint8_t *body, size_t bytes) {
  size_t address_bytes = it.config.address_bytes;
  size_t head = 3;
  uint8_t from[FARDEL_BRIDGE_ADDRESS_MAX];
  if (body[0] == TYPE_RECEIVED) {
    head += address_bytes;
    EXPECT(bytes >= head, "RECEIVED has an address");
    memcpy(it.implied_from, body + 3, address_bytes);
  }
  EXPECT(bytes >= head && bytes - head <= it.config.mtu_bytes, "RECEIVED has one datagram");
  while (it.heard_first != it.heard_end) {
    const heard *each = &it.heard[it.heard_first++];
    numbered_address(each->from, from);
    if (!is_same(from, it.implied_from) || each->length != bytes - head) continue;
    if (each->rssi_dbm != (int8_t)body[2]) continue;
    for (size_t i = head; i < bytes; i++)
      EXPECT(body[i] == numbered_byte(each->from, each->length), "RECEIVED has what was heard");
    return;
  }
  EXPECT(0, "nothing is received that was not heard");
}

static void watch_status(const uint8_t *body, size_t bytes) {
  EXPECT(bytes >= 3 && (bytes - 3) % 2 == 0, "STATUS has pairs");
  size_t pairs = (bytes - 3) / 2;
  EXPECT(pairs <= (body[1] ? it.config.queue : UNASKED_OUTCOMES_MAX), "STATUS has its limit");
  for (size_t pair = 0; pair < pairs; pair++) {
    uint8_t token = body[3 + 2 * pair];
    uint8_t back = (uint8_t)(body[2] - token);
    EXPECT(back >= 1 && back <= it.config.queue, "outcomes are told of the last tokens");
    EXPECT(body[4 + 2 * pair] >= 1 && body[4 + 2 * pair] <= 7, "an outcome is one of seven");
  }
}

static void watch_body(const uint8_t *body, size_t bytes) {
  FUZZ_SAY("  frame of type %02x, %zu bytes\n", body[0], bytes);
  switch (body[0]) {
    case TYPE_HELLO:
      EXPECT(bytes == 24u + it.config.address_bytes + strlen(it.name), "HELLO tells all");
      break;
    case TYPE_RECEIVED:
    case TYPE_RECEIVED_AGAIN:
      watch_received(body, bytes);
      break;
    case TYPE_CHANNEL:
      EXPECT(bytes == 4 && body[2] <= CHANNEL_CANNOT, "CHANNEL has a result");
      break;
    case TYPE_STATUS:
      watch_status(body, bytes);
      break;
    case TYPE_STATISTICS:
      EXPECT(bytes == 2 + 4 * FARDEL_BRIDGE_COUNTS && body[1], "STATISTICS answers, and has all");
      break;
    case TYPE_LOG:
      EXPECT(bytes >= 2 && bytes <= 2 + FARDEL_BRIDGE_TEXT_MAX && body[1] <= 7, "a line of text");
      break;
    default:
      EXPECT(0, "a frame has a type that BRIDGE.md names");
  }
}

void watch_line(uint8_t byte) {
  uint8_t body[sizeof it.line];
  int is_slip = it.config.framing == FARDEL_BRIDGE_SLIP;
  if (byte != (is_slip ? SLIP_DELIMITER : COBS_DELIMITER)) {
    EXPECT(it.line_length < sizeof it.line, "a frame comes to its end");
    it.line[it.line_length++] = byte;
    return;
  }
  if (it.line_length == 0) return;
  int bytes = unstuff(it.line, it.line_length, body);
  it.line_length = 0;
  EXPECT(bytes > CRC_BYTES, "a frame is stuffed well");
  uint16_t crc = FARDEL_CRC16_START;
  if (body[0] == TYPE_RECEIVED_AGAIN)
    crc = fardel_crc16(crc, it.implied_from, it.config.address_bytes);
  EXPECT(fardel_crc16(crc, body, (size_t)bytes) == FARDEL_CRC16_GOOD, "a frame has a good CRC");
  watch_body(body, (size_t)bytes - CRC_BYTES);
}
