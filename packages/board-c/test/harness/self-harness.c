/* What the tests of the harness itself call: support/c-program.test.ts. */
#include "harness.h"

#include <string.h>

EXPORT int self_mix(int a, int b, int c, int d, int e, int f, int g, int h) {
  int all[] = {a, b, c, d, e, f, g, h};
  uint32_t mixed = 0;
  for (int i = 0; i < 8; i++) mixed = mixed * 31 + (uint32_t)all[i];
  return (int)mixed;
}

/* @returns what the first callback answers, and the sum of the bytes of the second one's answer */
EXPORT int self_echo(int count, int value) {
  int result = TELL(1, 5, value, INPUT, count);
  int bytes = TELL(2, 6, count, NULL, 0);
  for (int i = 0; i < bytes; i++) result += ANSWER[i];
  return result;
}

EXPORT int self_nest(int left) { return 1 + TELL(1, 0, left, NULL, 0); }

EXPORT int self_count(void) {
  static int count;
  return ++count;
}

EXPORT int self_crash(void) {
#ifdef __wasm__
  __builtin_trap();
#else
  abort();
#endif
}

#ifndef __wasm__
EXPORT int self_overrun(int value) {
  uint8_t *bytes = calloc(8, 1);
  volatile int at = 8;
  int result = bytes[at] + value;
  free(bytes);
  return result;
}

EXPORT int self_overflow(int value) {
  volatile int one = 1;
  return value + one;
}

EXPORT int self_unaligned(int value) {
  static uint32_t words[2];
  volatile size_t at = 1;
  uint32_t *word = (uint32_t *)(void *)((uint8_t *)words + at);
  *word = (uint32_t)value;
  return (int)*word;
}
#endif
