/*
 * What waits for the line, and how it leaves: answers and outcomes go before what was heard, and
 * that before lines of text. BRIDGE.md, sections 2, 3, 5 and 8.
 */
#include <string.h>

#include "../checksum.h"
#include "parts.h"

#define COBS_RUN_MAX 254

/* What the next byte is: `output_step`. COBS goes from CODE to RUN, SLIP from PLAIN to ESCAPED. */
enum { STEP_LEAD, STEP_CODE, STEP_RUN, STEP_FULL_RUN, STEP_PLAIN, STEP_ESCAPED, STEP_END };

static int is_slip(const fardel_bridge *bridge) {
  return bridge->config->framing == FARDEL_BRIDGE_SLIP;
}

static uint8_t *put_u16(uint8_t *at, uint16_t value) {
  at[0] = (uint8_t)(value >> 8);
  at[1] = (uint8_t)value;
  return at + 2;
}

static uint8_t *put_u32(uint8_t *at, uint32_t value) {
  return put_u16(put_u16(at, (uint16_t)(value >> 16)), (uint16_t)value);
}

/* ---- what waits */

void fdb_forget_output(fardel_bridge *bridge) {
  bridge->flags &= (uint8_t) ~(HELLO_WAITS | ANSWER_WAITS | HAS_IMPLIED_FROM);
  bridge->status_request = 0;
  bridge->statistics_request = 0;
  bridge->heard_count = 0;
  bridge->sequence = 0;
  /* What was to leave right behind the last frame does not. */
  if (bridge->output_length == 0) bridge->flags |= IS_PAUSE;
}

static int has_untold(const fardel_bridge *bridge) { return bridge->host && bridge->untold > 0; }

int fardel_bridge_has_output(const fardel_bridge *bridge) {
  return bridge->output_length > 0 || (bridge->flags & (HELLO_WAITS | ANSWER_WAITS)) ||
         bridge->status_request || bridge->statistics_request || has_untold(bridge) ||
         bridge->heard_count > 0 || bridge->lines_count > 0;
}

static uint8_t *heard_place(const fardel_bridge *bridge, int index) {
  const fardel_bridge_config *config = bridge->config;
  if (index >= config->heard) index -= config->heard;
  return bridge->heard + (size_t)index * ((size_t)config->mtu_bytes + config->address_bytes + 3);
}

void fardel_bridge_heard(fardel_bridge *bridge, const uint8_t *from, const uint8_t *datagram,
                         uint16_t bytes, int8_t rssi_dbm) {
  const fardel_bridge_config *config = bridge->config;
  bridge->counts[COUNT_HEARD]++;
  if (!bridge->host) return;
  if (bytes > config->mtu_bytes || bridge->heard_count == config->heard) {
    bridge->counts[COUNT_DROPPED]++;
    return;
  }
  uint8_t *at = put_u16(heard_place(bridge, bridge->heard_first + bridge->heard_count++), bytes);
  *at++ = (uint8_t)rssi_dbm;
  memcpy(at, from, config->address_bytes);
  memcpy(at + config->address_bytes, datagram, bytes);
}

/* Where to cut so that no character is cut in two: before a byte that continues none. */
static uint8_t whole_characters(const char *text) {
  uint8_t end = FARDEL_BRIDGE_TEXT_MAX;
  /* A character has three continuing bytes at most: what has more is no UTF-8 and may be cut. */
  while (end > FARDEL_BRIDGE_TEXT_MAX - 4) {
    if ((text[end] & 0xc0) != 0x80) return end;
    end--;
  }
  return FARDEL_BRIDGE_TEXT_MAX;
}

void fardel_bridge_log(fardel_bridge *bridge, uint8_t level, const char *text) {
  uint8_t bytes = 0;
  while (bytes <= FARDEL_BRIDGE_TEXT_MAX && text[bytes] != 0) bytes++;
  if (bytes > FARDEL_BRIDGE_TEXT_MAX) bytes = whole_characters(text);
  if (bridge->lines_count == FARDEL_BRIDGE_LINES_MAX) return;
  if (bridge->lines_length + 2u + bytes > bridge->config->text_bytes) return;
  uint8_t *at = bridge->lines + bridge->lines_length;
  at[0] = level > 7 ? 7 : level;
  at[1] = bytes;
  memcpy(at + 2, text, bytes);
  bridge->lines_length = (uint16_t)(bridge->lines_length + 2 + bytes);
  bridge->lines_count++;
}

/* ---- bodies: each returns where it ends */

static uint8_t *write_hello(fardel_bridge *bridge, uint8_t *at) {
  const fardel_bridge_config *config = bridge->config;
  *at++ = TYPE_HELLO;
  *at++ = VERSION;
  *at++ = VERSION;
  at = put_u32(at, bridge->hello_host);
  at = put_u32(at, bridge->incarnation);
  at = put_u16(at, config->mtu_bytes);
  *at++ = config->queue;
  *at++ = config->peers;
  *at++ = config->address_bytes;
  *at++ = (uint8_t)(config->abilities | (config->set_channel ? 2 : 0));
  *at++ = bridge->hello_channel;
  at = put_u16(at, config->airtime_fixed_us);
  at = put_u32(at, config->airtime_per_byte_ns);
  memcpy(at, config->address, config->address_bytes);
  at += config->address_bytes;
  for (const char *name = config->name; name && *name; name++) *at++ = (uint8_t)*name;
  return at;
}

static uint8_t *write_status(fardel_bridge *bridge, uint8_t *at, uint8_t request) {
  at[0] = TYPE_STATUS;
  at[1] = request;
  at[2] = (uint8_t)bridge->next_number;
  return fdb_tell_outcomes(bridge, at + 3, request != 0);
}

static uint8_t *write_channel(const fardel_bridge *bridge, uint8_t *at) {
  at[0] = TYPE_CHANNEL;
  at[1] = bridge->answer_request;
  at[2] = bridge->answer_result;
  at[3] = bridge->answer_channel;
  return at + 4;
}

static uint8_t *write_statistics(fardel_bridge *bridge, uint8_t *at, uint32_t now_us) {
  fdb_count_time(bridge, now_us);
  *at++ = TYPE_STATISTICS;
  *at++ = bridge->statistics_request;
  for (int index = 0; index < FARDEL_BRIDGE_COUNTS; index++) {
    at = put_u32(at, bridge->counts[index]);
  }
  return at;
}

static uint8_t *write_received(fardel_bridge *bridge, uint8_t *at) {
  uint8_t address_bytes = bridge->config->address_bytes;
  const uint8_t *place = heard_place(bridge, bridge->heard_first);
  const uint8_t *from = place + 3;
  size_t bytes = (size_t)(place[0] << 8 | place[1]);
  int is_same = (bridge->flags & HAS_IMPLIED_FROM) &&
                memcmp(bridge->implied_from, from, address_bytes) == 0;
  /* Behind a pause there is time for the address: this one must not be lost with the one before. */
  int is_again = is_same && !(bridge->flags & IS_PAUSE) && bridge->agains < AGAINS_MAX;
  bridge->heard_first = (uint8_t)(bridge->heard_first + 1 == bridge->config->heard
                                      ? 0 : bridge->heard_first + 1);
  bridge->heard_count--;
  at[0] = is_again ? TYPE_RECEIVED_AGAIN : TYPE_RECEIVED;
  /* Numbered only now: what was dropped here is not taken for lost on the line. */
  at[1] = bridge->sequence++;
  at[2] = place[2];
  if (is_again) {
    bridge->agains++;
    memcpy(at + 3, from + address_bytes, bytes);
    return at + 3 + bytes;
  }
  bridge->agains = 0;
  bridge->flags |= HAS_IMPLIED_FROM;
  memcpy(bridge->implied_from, from, address_bytes);
  memcpy(at + 3, from, address_bytes + bytes);
  return at + 3 + address_bytes + bytes;
}

static uint8_t *write_line(fardel_bridge *bridge, uint8_t *at) {
  uint8_t *lines = bridge->lines;
  size_t bytes = lines[1];
  at[0] = TYPE_LOG;
  at[1] = lines[0];
  memcpy(at + 2, lines + 2, bytes);
  bridge->lines_length = (uint16_t)(bridge->lines_length - 2 - bytes);
  bridge->lines_count--;
  memmove(lines, lines + 2 + bytes, bridge->lines_length);
  return at + 2 + bytes;
}

/* The most urgent body, written at the moment at which it leaves; NULL: nothing waits. */
static uint8_t *write_next(fardel_bridge *bridge, uint8_t *at, uint32_t now_us) {
  uint8_t *end = NULL;
  if (bridge->flags & HELLO_WAITS) {
    bridge->flags &= (uint8_t)~HELLO_WAITS;
    end = write_hello(bridge, at);
  } else if (bridge->status_request) {
    end = write_status(bridge, at, bridge->status_request);
    bridge->status_request = 0;
  } else if (bridge->flags & ANSWER_WAITS) {
    bridge->flags &= (uint8_t)~ANSWER_WAITS;
    end = write_channel(bridge, at);
  } else if (has_untold(bridge)) {
    end = write_status(bridge, at, 0);
  } else if (bridge->statistics_request) {
    end = write_statistics(bridge, at, now_us);
    bridge->statistics_request = 0;
  } else if (bridge->heard_count > 0) {
    end = write_received(bridge, at);
  } else if (bridge->lines_count > 0) {
    end = write_line(bridge, at);
  }
  return end;
}

/* ---- frames */

static uint8_t first_step(const fardel_bridge *bridge) {
  return is_slip(bridge) ? STEP_PLAIN : STEP_CODE;
}

/* @returns 0 if nothing waits */
static int begin_frame(fardel_bridge *bridge, uint32_t now_us) {
  uint8_t *body = bridge->output;
  uint8_t *end = write_next(bridge, body, now_us);
  if (!end) return 0;
  uint16_t crc = FARDEL_CRC16_START;
  if (body[0] == TYPE_RECEIVED_AGAIN) {
    crc = fardel_crc16(crc, bridge->implied_from, bridge->config->address_bytes);
  }
  crc = (uint16_t)~fardel_crc16(crc, body, (size_t)(end - body));
  end[0] = (uint8_t)crc;
  end[1] = (uint8_t)(crc >> 8);
  bridge->output_length = (uint16_t)(end + 2 - body);
  bridge->output_at = 0;
  bridge->output_step = bridge->flags & IS_PAUSE ? STEP_LEAD : first_step(bridge);
  bridge->flags &= (uint8_t)~IS_PAUSE;
  return 1;
}

static uint8_t end_frame(fardel_bridge *bridge) {
  bridge->output_length = 0;
  if (!fardel_bridge_has_output(bridge)) bridge->flags |= IS_PAUSE;
  return is_slip(bridge) ? SLIP_DELIMITER : COBS_DELIMITER;
}

/* A group of COBS has ended: behind it stands the end, or else a zero if it was not full. */
static void end_group(fardel_bridge *bridge, int is_full) {
  bridge->output_step = STEP_CODE;
  if (bridge->output_at == bridge->output_length) {
    bridge->output_step = STEP_END;
  } else if (!is_full) {
    bridge->output_at++;
  }
}

static uint8_t begin_group(fardel_bridge *bridge) {
  const uint8_t *from = bridge->output + bridge->output_at;
  int left = bridge->output_length - bridge->output_at;
  uint8_t run = 0;
  while (run < COBS_RUN_MAX && run < left && from[run] != 0) run++;
  bridge->output_run = run;
  bridge->output_step = run == COBS_RUN_MAX ? STEP_FULL_RUN : STEP_RUN;
  if (run == 0) end_group(bridge, 0);
  return (uint8_t)(run + 1);
}

static uint8_t next_of_group(fardel_bridge *bridge) {
  uint8_t byte = bridge->output[bridge->output_at++];
  if (--bridge->output_run == 0) end_group(bridge, bridge->output_step == STEP_FULL_RUN);
  return byte;
}

static uint8_t next_plain(fardel_bridge *bridge) {
  uint8_t byte = bridge->output[bridge->output_at];
  int is_special = byte == SLIP_DELIMITER || byte == SLIP_ESCAPE;
  if (is_special && bridge->output_step == STEP_PLAIN) {
    bridge->output_step = STEP_ESCAPED;
    return SLIP_ESCAPE;
  }
  bridge->output_at++;
  bridge->output_step = bridge->output_at == bridge->output_length ? STEP_END : STEP_PLAIN;
  if (!is_special) return byte;
  return byte == SLIP_DELIMITER ? SLIP_ESCAPED_DELIMITER : SLIP_ESCAPED_ESCAPE;
}

static uint8_t next_byte(fardel_bridge *bridge) {
  switch (bridge->output_step) {
    case STEP_LEAD:
      bridge->output_step = first_step(bridge);
      return is_slip(bridge) ? SLIP_DELIMITER : COBS_DELIMITER;
    case STEP_CODE:
      return begin_group(bridge);
    case STEP_RUN:
    case STEP_FULL_RUN:
      return next_of_group(bridge);
    case STEP_PLAIN:
    case STEP_ESCAPED:
      return next_plain(bridge);
    default:
      return end_frame(bridge);
  }
}

size_t fardel_bridge_output(fardel_bridge *bridge, uint8_t *into, size_t max, uint32_t now_us) {
  size_t count = 0;
  while (count < max) {
    if (bridge->output_length == 0 && !begin_frame(bridge, now_us)) {
      bridge->flags |= IS_PAUSE;
      break;
    }
    into[count++] = next_byte(bridge);
  }
  return count;
}
