/*
 * The four functions of a C library that Fardel uses. No library is needed besides. They must not
 * be compiled into calls of themselves: -fno-tree-loop-distribute-patterns.
 */
#include <string.h>

void *memcpy(void *to, const void *from, size_t count) {
  unsigned char *into = to;
  const unsigned char *bytes = from;
  while (count-- > 0) *into++ = *bytes++;
  return to;
}

void *memmove(void *to, const void *from, size_t count) {
  unsigned char *into = to;
  const unsigned char *bytes = from;
  if (into <= bytes) return memcpy(to, from, count);
  while (count-- > 0) into[count] = bytes[count];
  return to;
}

void *memset(void *to, int value, size_t count) {
  unsigned char *into = to;
  while (count-- > 0) *into++ = (unsigned char)value;
  return to;
}

int memcmp(const void *one, const void *other, size_t count) {
  const unsigned char *a = one;
  const unsigned char *b = other;
  for (; count > 0; count--, a++, b++) {
    if (*a != *b) return *a - *b;
  }
  return 0;
}
