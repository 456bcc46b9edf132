#include "wire.h"

#include "guard.h"

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
static int read_varint(uint32_t *value, const uint8_t **from, const uint8_t *end) {
  const uint8_t *at = *from;
  if (at >= end) return -1;
  int left = (1 << (*at >> 6)) - 1;
  uint32_t low = *at++ & 0x3F;
  uint32_t high = 0;
  if (end - at < left) return -1;
  for (; left > 0; left--) {
    high = high << 8 | low >> 24;
    low = low << 8 | *at++;
  }
  *from = at;
  if (high >> 21) return -1; /* more than 53 bits */
  *value = high ? UINT32_MAX : low;
  return 0;
}

int fdl_read_body(fdl_frame *frame, uint8_t shape, const uint8_t *bytes, uint16_t count) {
  const uint8_t *end = bytes + count;
  frame->body = bytes;
  frame->body_count = count;
  frame->total = 0;
  frame->crc = 0;
  if (shape == DATA_FIRST) {
    if (read_varint(&frame->total, &bytes, end) < 0) return -1;
  } else if (shape == DATA_LAST) {
    if (count < MESSAGE_CRC_BYTES) return -1;
    end -= MESSAGE_CRC_BYTES;
    frame->crc = fdl_get_u32(end);
  } else if (shape == 0 && count == 0) {
    return -1;
  }
  frame->bytes = bytes;
  frame->count = (uint16_t)(end - bytes);
  return 0;
}

/* DATA and LOOSE behind their fixed heads: a length, if there is one, else they run to the CRC. */
static int read_rest(fdl_frame *frame, uint8_t shape, int has_length) {
  uint32_t count;
  if (has_length && read_varint(&count, &frame->at, frame->end) < 0) return -1;
  uint32_t room = (uint32_t)(frame->end - frame->at);
  if (!has_length) count = room;
  if (count > room) return -1;
  const uint8_t *body = frame->at;
  frame->at += count;
  return fdl_read_body(frame, shape, body, (uint16_t)count) < 0 ? -1 : 1;
}

static int read_loose(fdl_frame *frame, uint8_t first) {
  uint8_t shape = DATA_FIRST | DATA_LAST;
  frame->channel = first & 3;
  frame->flags = first & LOOSE_FRAGMENTED;
  if (frame->flags) {
    frame->flags |= frame->value & LOOSE_LAST;
    frame->value &= (uint8_t)~LOOSE_LAST;
    shape = frame->flags & LOOSE_LAST ? DATA_LAST : 0;
    if (shape == 0 && frame->value == LOOSE_FRAGMENTS_MAX - 1) return -1;
  }
  return read_rest(frame, shape, first & LOOSE_LENGTH);
}

int fdl_read_frame(fdl_frame *frame) {
  /* Bytes behind the first one that are always there, by type. */
  static const uint8_t heads[] = {
      0, ACK_BYTES - 1, SKIP_BYTES - 1, HELLO_BYTES - 1, STOP_BYTES - 1, 0, 0, 1,
      DATA_HEAD_BYTES - 1,
  };
  const uint8_t *at = frame->at;
  while (at < frame->end && *at == TYPE_PAD) at++;
  if (at >= frame->end) return 0;
  uint8_t first = *at++;
  uint8_t type = first & TYPE_DATA ? TYPE_DATA : first & 0xF0;
  uint8_t head = heads[type >> 4];
  if (first == TYPE_CLOSE) head = 1;
  if (type == TYPE_LOOSE && first & LOOSE_FRAGMENTED) head = LOOSE_HEAD_BYTES - 1;
  if (frame->end - at < head) return -1;
  frame->at = at + head;
  frame->type = type;
  frame->flags = first;
  frame->channel = first & 0x0F;
  frame->count = 0;
  frame->number = head >= 2 ? fdl_get_u16(at) : 0;
  frame->value = head >= 3 ? at[2] : 0;
  switch (type) {
    case TYPE_DATA:
      return read_rest(frame, first & (DATA_FIRST | DATA_LAST), first & DATA_LENGTH);
    case TYPE_LOOSE:
      return read_loose(frame, first);
    case TYPE_ACK:
      frame->largest = frame->number;
      frame->number = fdl_get_u16(at + 2);
      frame->value = at[4];
      frame->flags = at[5] & (ACK_PROMPT | ACK_CUT);
      frame->count = at[5] & 0x3F;
      if (frame->count > 32) return -1;
      break;
    case TYPE_HELLO:
      if (frame->channel < 1 || frame->number < 20 || frame->value < 1) return -1;
      break;
    case TYPE_CLOSE:
      frame->type = first;
      frame->value = *at;
      if (first > TYPE_NO_SESSION) return -1;
      break;
    case TYPE_EXTENSION:
      frame->count = *at;
      break;
    case TYPE_PAD:
      return -1;
  }
  frame->bytes = frame->at;
  if (frame->end - frame->at < frame->count) return -1;
  frame->at += frame->count;
  return 1;
}

int fdl_check_frames(const uint8_t *at, const uint8_t *end) {
  fdl_frame each;
  int what = FRAMES_GOOD;
  int result;
  if (end - at == 1 && *at == TYPE_NO_SESSION) return FRAMES_NO_SESSION;
  each.at = at;
  each.end = end;
  while ((result = fdl_read_frame(&each)) > 0) {
    if (each.type == TYPE_NO_SESSION) return 0;
    if (each.type == TYPE_DATA || each.type == TYPE_SKIP) what = FRAMES_ELICIT;
  }
  return result == 0 ? what : 0;
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
#ifdef FARDEL_PROTECTED
  if (head == (HEAD_SHORT | HEAD_PROTECTED)) return bytes >= SHORT_HEAD_BYTES + FARDEL_TAG_BYTES;
  if (head == (HEAD_LONG | HEAD_PROTECTED))
    return bytes >= PROTECTED_LONG_HEAD_BYTES + FARDEL_TAG_BYTES;
#endif
  return head == HEAD_SHORT || (head == HEAD_LONG && bytes >= LONG_HEAD_BYTES + CRC_BYTES);
}

int fdl_is_long(const fdl_incoming *in) { return in->bytes[0] & HEAD_LONG_BIT; }

void fdl_begin_frames(fdl_frame *frame, const fdl_incoming *in) {
#ifdef FARDEL_PROTECTED
  if (in->frames) {
    frame->at = in->frames;
    frame->end = in->frames + in->frames_bytes;
    return;
  }
#endif
  frame->at = in->bytes + (fdl_is_long(in) ? LONG_HEAD_BYTES : SHORT_HEAD_BYTES);
  frame->end = in->bytes + in->count - CRC_BYTES;
}

int fdl_check(fdl_incoming *in, uint32_t token_to, uint32_t token_from) {
  fdl_frame frame;
  uint16_t crc = fdl_datagram_crc(in->bytes, in->count, token_to, token_from, in->number);
  if (crc != FARDEL_CRC16_GOOD) return 0;
  fdl_begin_frames(&frame, in);
  int what = fdl_check_frames(frame.at, frame.end);
  in->elicits = what == FRAMES_ELICIT;
  return what;
}
