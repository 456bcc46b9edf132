/*
 * What the fuzzing targets share: reading an input byte by byte, and saying that a promise is broken.
 * run.ts says how a target is built and run.
 */
#ifndef FARDEL_FUZZ_H
#define FARDEL_FUZZ_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

/* What libFuzzer calls, and replay.c. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* A promise of the library, said as it is when it is kept. */
#define EXPECT(condition, promise)                                                 \
  do {                                                                             \
    if (!(condition)) fuzz_fail(__FILE__, __LINE__, promise);                      \
  } while (0)

static inline void fuzz_fail(const char *file, int line, const char *promise) {
  fprintf(stderr, "%s:%d: not so: %s\n", file, line, promise);
  abort();
}

/* A line for each thing that happens, in a build with -DFUZZ_TRACE: to read a finding. */
#ifdef FUZZ_TRACE
#define FUZZ_SAY(...) fprintf(stderr, __VA_ARGS__)
#else
#define FUZZ_SAY(...) ((void)0)
#endif

typedef struct fuzz_input {
  const uint8_t *at;
  const uint8_t *end;
} fuzz_input;

static inline int fuzz_is_empty(const fuzz_input *in) { return in->at == in->end; }

/* @returns 0 behind the end */
static inline uint8_t fuzz_byte(fuzz_input *in) { return fuzz_is_empty(in) ? 0 : *in->at++; }

static inline uint16_t fuzz_u16(fuzz_input *in) {
  uint8_t high = fuzz_byte(in);
  return (uint16_t)(high << 8 | fuzz_byte(in));
}

/* Of `count` things one. */
static inline uint8_t fuzz_choice(fuzz_input *in, unsigned count) {
  return (uint8_t)(fuzz_byte(in) % count);
}

/* A copy of the exact size, so that the sanitizer sees whoever reads behind it. Free it. */
static inline uint8_t *fuzz_copy(const uint8_t *bytes, size_t count) {
  uint8_t *copy = malloc(count > 0 ? count : 1);
  if (!copy) abort();
  for (size_t i = 0; i < count; i++) copy[i] = bytes[i];
  return copy;
}

/* The next bytes of an input, as many as there are at most. */
static inline uint8_t *fuzz_bytes(fuzz_input *in, size_t *count) {
  size_t left = (size_t)(in->end - in->at);
  if (*count > left) *count = left;
  uint8_t *copy = fuzz_copy(in->at, *count);
  in->at += *count;
  return copy;
}

#endif
