#include "wire.h"

#include <string.h>

#include "../checksum.h"

uint16_t fdl_get_u16(const uint8_t *bytes) { return (uint16_t)(bytes[0] << 8 | bytes[1]); }

uint32_t fdl_get_u32(const uint8_t *bytes) {
  return (uint32_t)fdl_get_u16(bytes) << 16 | fdl_get_u16(bytes + 2);
}

uint8_t *fdl_put_u16(uint8_t *at, uint16_t value) {
  at[0] = (uint8_t)(value >> 8);
  at[1] = (uint8_t)value;
  return at + 2;
}

uint8_t *fdl_put_u32(uint8_t *at, uint32_t value) {
  return fdl_put_u16(fdl_put_u16(at, (uint16_t)(value >> 16)), (uint16_t)value);
}

uint8_t fdl_varint_bytes(uint32_t value) { return value < 0x40 ? 1 : value < 0x4000 ? 2 : 4; }

uint8_t *fdl_put_varint(uint8_t *at, uint32_t value) {
  if (value < 0x40) {
    *at = (uint8_t)value;
    return at + 1;
  }
  if (value < 0x4000) return fdl_put_u16(at, (uint16_t)(value | 0x4000));
  return fdl_put_u32(at, value | 0x80000000u);
}

/* RFC 9000, section 16; what does not fit in 32 bits becomes UINT32_MAX. Less: malformed. */
static int read_varint(uint32_t *value, const uint8_t **at, const uint8_t *end) {
  if (*at >= end) return -1;
  uint8_t bytes = (uint8_t)(1 << (**at >> 6));
  if (end - *at < bytes) return -1;
  uint32_t low = **at & 0x3F;
  uint32_t high = 0;
  for (uint8_t i = 1; i < bytes; i++) {
    high = high << 8 | low >> 24;
    low = low << 8 | (*at)[i];
  }
  *at += bytes;
  if (high >> 21) return -1; /* more than 53 bits */
  *value = high ? UINT32_MAX : low;
  return 0;
}

int fdl_read_data_body(fdl_frame *frame, const uint8_t *bytes, uint16_t count) {
  const uint8_t *at = bytes;
  const uint8_t *end = bytes + count;
  uint8_t shape = frame->flags & (DATA_FIRST | DATA_LAST);
  frame->body = bytes;
  frame->body_count = count;
  frame->total = 0;
  frame->crc = 0;
  if (shape == DATA_FIRST) {
    if (read_varint(&frame->total, &at, end) < 0) return -1;
  } else if (shape == DATA_LAST) {
    if (count < MESSAGE_CRC_BYTES) return -1;
    end -= MESSAGE_CRC_BYTES;
    frame->crc = fdl_get_u32(end);
  } else if (shape == 0 && count == 0) {
    return -1;
  }
  frame->bytes = at;
  frame->count = (uint16_t)(end - at);
  return 0;
}

/* The length that may stand before the bytes of DATA and LOOSE; without it they run to the CRC. */
static int read_length(uint32_t *count, int is_told, const uint8_t **at, const uint8_t *end) {
  if (is_told && read_varint(count, at, end) < 0) return -1;
  if (!is_told) *count = (uint32_t)(end - *at);
  return *count <= (uint32_t)(end - *at) ? 0 : -1;
}

static int read_data(fdl_frame *frame, const uint8_t **at, const uint8_t *end) {
  if (end - *at < 2) return -1;
  frame->number = fdl_get_u16(*at);
  *at += 2;
  uint32_t count;
  if (read_length(&count, frame->flags & DATA_LENGTH, at, end) < 0) return -1;
  if (fdl_read_data_body(frame, *at, (uint16_t)count) < 0) return -1;
  *at += count;
  return 1;
}

static int read_loose(fdl_frame *frame, const uint8_t **at, const uint8_t *end) {
  uint8_t flags = frame->channel;
  frame->channel = flags & 3;
  frame->flags = flags & LOOSE_FRAGMENTED;
  frame->crc = 0;
  if (flags & LOOSE_FRAGMENTED) {
    if (end - *at < 3) return -1;
    frame->number = fdl_get_u16(*at);
    frame->flags |= (*at)[2] & LOOSE_LAST;
    frame->value = (*at)[2] & 0x7F;
    *at += 3;
  }
  uint32_t count;
  if (read_length(&count, flags & LOOSE_LENGTH, at, end) < 0) return -1;
  frame->bytes = *at;
  *at += count;
  if (flags & LOOSE_FRAGMENTED) {
    int is_last = frame->flags & LOOSE_LAST;
    if (!is_last && (count == 0 || frame->value == LOOSE_FRAGMENTS_MAX - 1)) return -1;
    if (is_last && count < MESSAGE_CRC_BYTES) return -1;
    if (is_last) {
      count -= MESSAGE_CRC_BYTES;
      frame->crc = fdl_get_u32(frame->bytes + count);
    }
  }
  frame->count = (uint16_t)count;
  return 1;
}

static int read_ack(fdl_frame *frame, const uint8_t **at, const uint8_t *end) {
  if (end - *at < ACK_BYTES - 1) return -1;
  frame->largest = fdl_get_u16(*at);
  frame->number = fdl_get_u16(*at + 2);
  frame->value = (*at)[4];
  frame->flags = (*at)[5] & (ACK_PROMPT | ACK_CUT);
  frame->count = (*at)[5] & 0x3F;
  *at += ACK_BYTES - 1;
  frame->bytes = *at;
  if (frame->count > 32 || end - *at < frame->count) return -1;
  *at += frame->count;
  return 1;
}

int fdl_read_frame(fdl_frame *frame, const uint8_t **at, const uint8_t *end) {
  while (*at < end && **at == TYPE_PAD) (*at)++;
  if (*at >= end) return 0;
  uint8_t first = *(*at)++;
  frame->flags = first;
  frame->channel = first & 0x0F;
  frame->type = first & 0x80 ? TYPE_DATA : first & 0xF0;
  /* Bytes behind the first one of the frames that have a fixed length, by type. */
  static const uint8_t lengths[] = {0, 0, SKIP_BYTES - 1, HELLO_BYTES - 1, STOP_BYTES - 1};
  switch (frame->type) {
    case TYPE_DATA:
      return read_data(frame, at, end);
    case TYPE_ACK:
      return read_ack(frame, at, end);
    case TYPE_LOOSE:
      return read_loose(frame, at, end);
    case TYPE_SKIP:
    case TYPE_HELLO:
    case TYPE_STOP:
      if (end - *at < lengths[frame->type >> 4]) return -1;
      frame->number = fdl_get_u16(*at);
      if (frame->type != TYPE_SKIP) frame->value = (*at)[2];
      *at += lengths[frame->type >> 4];
      if (frame->type == TYPE_HELLO && (frame->channel < 1 || frame->number < 20 || frame->value < 1))
        return -1;
      return 1;
    case TYPE_CLOSE:
      frame->type = first;
      if (first == TYPE_NO_SESSION) return 1;
      if (first != TYPE_CLOSE || *at >= end) return -1;
      frame->value = *(*at)++;
      return 1;
    case TYPE_EXTENSION:
      if (*at >= end || end - *at - 1 < **at) return -1;
      *at += 1 + **at;
      return 1;
    default:
      return -1;
  }
}

int fdl_check_frames(const uint8_t *at, const uint8_t *end) {
  if (end - at == 1 && *at == TYPE_NO_SESSION) return 2;
  fdl_frame each;
  int result;
  while ((result = fdl_read_frame(&each, &at, end)) > 0)
    if (each.type == TYPE_NO_SESSION) return 0;
  return result == 0;
}

uint16_t fdl_datagram_crc(const uint8_t *datagram, uint16_t bytes, uint32_t token_to,
                      uint32_t token_from, uint32_t number) {
  /* What is sent does not enter twice: damage to it would count twice, too. */
  uint8_t unsent[12];
  uint16_t crc = FARDEL_CRC16_START;
  fdl_put_u32(fdl_put_u32(fdl_put_u32(unsent, token_to), token_from), number & 0xFFFF0000u);
  if (!(datagram[0] & HEAD_LONG_BIT)) crc = fardel_crc16(crc, unsent, sizeof unsent);
  return fardel_crc16(crc, datagram, bytes);
}

int fdl_is_datagram(const uint8_t *datagram, uint16_t bytes) {
  if (bytes < SHORT_HEAD_BYTES + CRC_BYTES) return 0;
  uint8_t head = datagram[0] & (uint8_t)~HEAD_ASK;
  return head == HEAD_SHORT || (head == HEAD_LONG && bytes >= LONG_HEAD_BYTES + CRC_BYTES);
}

int fdl_is_long(const fdl_incoming *in) { return in->bytes[0] & HEAD_LONG_BIT; }

const uint8_t *fdl_frames_of(const fdl_incoming *in) {
  return in->bytes + (fdl_is_long(in) ? LONG_HEAD_BYTES : SHORT_HEAD_BYTES);
}

const uint8_t *fdl_end_of(const fdl_incoming *in) { return in->bytes + in->count - CRC_BYTES; }

int fdl_check(const fdl_incoming *in, uint32_t token_to, uint32_t token_from) {
  uint16_t crc = fdl_datagram_crc(in->bytes, in->count, token_to, token_from, in->number);
  return crc == FARDEL_CRC16_GOOD ? fdl_check_frames(fdl_frames_of(in), fdl_end_of(in)) : 0;
}
