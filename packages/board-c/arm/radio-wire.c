#include "radio-wire.h"

#include <string.h>

#include "../src/checksum.h"
#include "board.h"

enum { PORT = 1, HEAD_BYTES = 1 + 2 * WIRE_ADDRESS_BYTES, CRC_BYTES = 2 };
enum { KIND_DATAGRAM = 1, KIND_ACKNOWLEDGEMENT = 2 };
/* RFC 1055. */
enum { END = 0xC0, ESCAPE = 0xDB, ESCAPED_END = 0xDC, ESCAPED_ESCAPE = 0xDD };
enum { FRAME_BYTES_MAX = HEAD_BYTES + WIRE_DATAGRAM_BYTES + CRC_BYTES };
/* A neighbour that runs answers within a millisecond; an emulator may have to wait itself. */
#define ACKNOWLEDGED_WITHIN_US 20000u
#define IDLE_US 1000000u

static const wire_config *config;

static uint8_t input[FRAME_BYTES_MAX];
static uint16_t input_bytes;
static uint8_t is_escaped;
/* It is too long, or holds an escape that does not exist. */
static uint8_t is_bad;

static uint8_t is_under_way;
static uint8_t is_to_all;
static uint32_t sent_us;

/* ---- Sending ---- */

static void write_escaped(uint8_t byte) {
  uint8_t escaped[2] = {ESCAPE, byte == END ? ESCAPED_END : ESCAPED_ESCAPE};
  if (byte == END || byte == ESCAPE) {
    uart_write(PORT, escaped, 2);
  } else {
    uart_write(PORT, &byte, 1);
  }
}

static void write_part(const uint8_t *bytes, uint16_t count, uint16_t *crc) {
  *crc = fardel_crc16(*crc, bytes, count);
  for (uint16_t index = 0; index < count; index++) write_escaped(bytes[index]);
}

/* @returns 0, or less if it does not fit now */
static int write_frame(uint8_t kind, const uint8_t *to, const uint8_t *datagram, uint16_t bytes) {
  static const uint8_t end = END;
  uint16_t crc = FARDEL_CRC16_START;
  if (uart_room(PORT) < 2u * (uint32_t)(HEAD_BYTES + bytes + CRC_BYTES) + 2u) return -1;
  uart_write(PORT, &end, 1);
  write_part(&kind, 1, &crc);
  write_part(to, WIRE_ADDRESS_BYTES, &crc);
  write_part(config->address, WIRE_ADDRESS_BYTES, &crc);
  write_part(datagram, bytes, &crc);
  crc = (uint16_t)~crc;
  write_escaped((uint8_t)crc);
  write_escaped((uint8_t)(crc >> 8));
  uart_write(PORT, &end, 1);
  return 0;
}

static int is_broadcast(const uint8_t *address) {
  for (int index = 0; index < WIRE_ADDRESS_BYTES; index++) {
    if (address[index] != 0xFF) return 0;
  }
  return 1;
}

int wire_send(const uint8_t *to, const uint8_t *datagram, uint16_t bytes) {
  uint32_t before = board_lock();
  int result = -1;
  if (!is_under_way && bytes <= WIRE_DATAGRAM_BYTES)
    result = write_frame(KIND_DATAGRAM, to, datagram, bytes);
  if (result == 0) {
    is_under_way = 1;
    is_to_all = (uint8_t)is_broadcast(to);
    sent_us = board_now_us();
  }
  board_unlock(before);
  return result;
}

static void settle(int outcome) {
  if (!is_under_way) return;
  is_under_way = 0;
  config->on_outcome(outcome);
}

/* ---- Receiving ---- */

static void frame_came(void) {
  const uint8_t *to = input + 1;
  const uint8_t *from = to + WIRE_ADDRESS_BYTES;
  if (is_bad || input_bytes < HEAD_BYTES + CRC_BYTES) return;
  if (fardel_crc16(FARDEL_CRC16_START, input, input_bytes) != FARDEL_CRC16_GOOD) return;
  int is_for_us = memcmp(to, config->address, WIRE_ADDRESS_BYTES) == 0;
  if (!is_for_us && !is_broadcast(to)) return;
  if (input[0] == KIND_ACKNOWLEDGEMENT) {
    settle(WIRE_ACKNOWLEDGED);
  } else if (input[0] == KIND_DATAGRAM) {
    if (is_for_us) write_frame(KIND_ACKNOWLEDGEMENT, from, 0, 0);
    config->on_heard(from, input + HEAD_BYTES, (uint16_t)(input_bytes - HEAD_BYTES - CRC_BYTES));
  }
}

static void byte_came(uint8_t byte) {
  if (byte == END) {
    frame_came();
    input_bytes = 0;
    is_bad = is_escaped = 0;
    return;
  }
  if (byte == ESCAPE) {
    is_escaped = 1;
    return;
  }
  if (is_escaped) {
    is_escaped = 0;
    if (byte != ESCAPED_END && byte != ESCAPED_ESCAPE) is_bad = 1;
    byte = byte == ESCAPED_END ? END : ESCAPE;
  }
  if (input_bytes < FRAME_BYTES_MAX)
    input[input_bytes++] = byte;
  else
    is_bad = 1;
}

void wire_open(const wire_config *opened) { config = opened; }

void wire_work(void) {
  uint8_t byte;
  uint32_t before = board_lock();
  while (uart_read(PORT, &byte, 1) > 0) byte_came(byte);
  if (is_under_way) {
    uint32_t since_us = board_now_us() - sent_us;
    if (is_to_all)
      settle(WIRE_LEFT);
    else if (since_us >= ACKNOWLEDGED_WITHIN_US)
      settle(WIRE_NOT_ACKNOWLEDGED);
  }
  board_unlock(before);
}

uint32_t wire_wait_us(void) {
  uint32_t since_us = board_now_us() - sent_us;
  if (!is_under_way) return IDLE_US;
  return since_us < ACKNOWLEDGED_WITHIN_US ? ACKNOWLEDGED_WITHIN_US - since_us : 0;
}
