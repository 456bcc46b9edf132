/* The codec of the endpoint, src/endpoint/wire.h, for the vectors of test/vectors. */
#include "harness.h"

#include "../../src/checksum.h"
#include "../../src/endpoint/wire.h"

/* A frame: its fields, u32 each, then its bytes. */
enum { TOLD_FRAME = 1 };

/* Where a datagram is dropped; section 2 and 3. */
enum { TAKEN, BY_HEAD, BY_CRC, BY_FRAMES, BY_RULE };

/* The bytes from `at` on, where something watches over their end. */
static const uint8_t *input_from(int at, int count) {
#ifdef __wasm__
  (void)count;
  return INPUT + at;
#else
  static uint8_t *held;
  free(held);
  held = malloc(count > at ? (size_t)(count - at) : 1);
  for (int i = at; i < count; i++) held[i - at] = INPUT[i];
  return held;
#endif
}

static void tell_frame(const fdl_frame *frame) {
  static uint8_t told[8 * 4 + HARNESS_INPUT_BYTES];
  uint8_t *to = told;
  to = fdl_put_u32(to, frame->type);
  to = fdl_put_u32(to, frame->channel);
  to = fdl_put_u32(to, frame->flags);
  to = fdl_put_u32(to, frame->value);
  to = fdl_put_u32(to, frame->number);
  to = fdl_put_u32(to, frame->largest);
  to = fdl_put_u32(to, frame->total);
  to = fdl_put_u32(to, frame->crc);
  for (uint16_t i = 0; i < frame->count; i++) *to++ = frame->bytes[i];
  TELL(TOLD_FRAME, 0, frame->count, told, (int)(to - told));
}

/* Both tokens, receiver's first, the complete number, u32 each; then the datagram. */
EXPORT int wire_take(int count) {
  uint32_t to = fdl_get_u32(INPUT);
  uint32_t from = fdl_get_u32(INPUT + 4);
  uint32_t number = fdl_get_u32(INPUT + 8);
  const uint8_t *datagram = input_from(12, count);
  uint16_t bytes = (uint16_t)(count - 12);
  if (!fdl_is_datagram(datagram, bytes)) return BY_HEAD;
  if (fdl_datagram_crc(datagram, bytes, to, from, number) != FARDEL_CRC16_GOOD) return BY_CRC;
  int is_long = datagram[0] & HEAD_LONG_BIT;
  const uint8_t *at = datagram + (is_long ? LONG_HEAD_BYTES : SHORT_HEAD_BYTES);
  const uint8_t *end = datagram + bytes - CRC_BYTES;
  int what = fdl_check_frames(at, end);
  if (what == 0) return BY_FRAMES;
  if ((what == FRAMES_NO_SESSION) != (is_long && fdl_get_u32(datagram + 1) == 0)) return BY_RULE;
  fdl_frame frame = {0};
  frame.at = at;
  frame.end = end;
  for (; fdl_read_frame(&frame) > 0; frame.count = 0) tell_frame(&frame);
  return TAKEN;
}

/* @returns CRC-16, as it is sent: inverted at the end */
EXPORT int wire_crc16(int count) {
  return (uint16_t)~fardel_crc16(FARDEL_CRC16_START, input_from(0, count), (size_t)count);
}

EXPORT int wire_crc32(int count) { return (int)fardel_crc32(0, input_from(0, count), (size_t)count); }

/* In two parts. */
EXPORT int wire_crc32_in_parts(int count, int first) {
  uint32_t crc = fardel_crc32(0, INPUT, (size_t)first);
  return (int)fardel_crc32(crc, INPUT + first, (size_t)(count - first));
}

/* The bytes of a varint, by TOLD_FRAME. @param value below 2^30 */
EXPORT int wire_put_varint(int value) {
  uint8_t told[8];
  uint8_t *end = fdl_put_varint(told, (uint32_t)value);
  TELL(TOLD_FRAME, 0, value, told, (int)(end - told));
  return (int)(end - told) == fdl_varint_bytes((uint32_t)value);
}

/* What a first fragment that begins with these bytes says of its total, by TOLD_FRAME. */
EXPORT int wire_read_total(int count) {
  fdl_frame frame = {0};
  int result = fdl_read_body(&frame, DATA_FIRST, input_from(0, count), (uint16_t)count);
  if (result == 0) tell_frame(&frame);
  return result;
}
