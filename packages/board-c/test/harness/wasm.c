/* The WebAssembly side of harness.h, and what a C library would bring. */
#include <string.h>

#include "harness.h"

uint8_t harness_input[HARNESS_INPUT_BYTES];
uint8_t harness_answer[HARNESS_ANSWER_BYTES];

__attribute__((import_module("env"), import_name("tell"))) int imported_tell(
    int what, int number, int value, const uint8_t *bytes, int count);

int harness_tell(int what, int number, int value, const uint8_t *bytes, int count) {
  return imported_tell(what, number, value, bytes, count);
}

EXPORT uint8_t *harness_input_at(void) { return harness_input; }
EXPORT uint8_t *harness_answer_at(void) { return harness_answer; }

/* Or the compiler makes of these loops a call of what they are. */
#define PLAIN __attribute__((no_builtin("memcpy", "memmove", "memset", "memcmp")))

PLAIN void *memcpy(void *to, const void *from, size_t count) {
  uint8_t *into = to;
  const uint8_t *source = from;
  while (count-- > 0) *into++ = *source++;
  return to;
}

PLAIN void *memmove(void *to, const void *from, size_t count) {
  uint8_t *into = to;
  const uint8_t *source = from;
  if (into <= source) return memcpy(to, from, count);
  while (count-- > 0) into[count] = source[count];
  return to;
}

PLAIN void *memset(void *to, int value, size_t count) {
  uint8_t *into = to;
  while (count-- > 0) *into++ = (uint8_t)value;
  return to;
}

PLAIN int memcmp(const void *one, const void *other, size_t count) {
  const uint8_t *a = one;
  const uint8_t *b = other;
  for (; count > 0; count--, a++, b++)
    if (*a != *b) return *a - *b;
  return 0;
}
