/*
 * How tests in TypeScript call C: support/c-program.ts says it all. A harness is a file that includes
 * this and exports functions:
 *
 *   EXPORT int count_twice(int count) { return 2 * TELL(1, 0, count, INPUT, count); }
 *
 * Arguments and results are ints; 8 arguments at most. The same file is built as WebAssembly and as a
 * program of the system.
 */
#ifndef FARDEL_HARNESS_H
#define FARDEL_HARNESS_H

#include <stddef.h>
#include <stdint.h>

#define HARNESS_INPUT_BYTES 65536
#define HARNESS_ANSWER_BYTES 65536

#ifdef __wasm__
#define EXPORT __attribute__((visibility("default"), used))
#else
#include <stdlib.h>
#define EXPORT
#endif

/* What the test hands over with a call. A call from within a callback overwrites it: copy what must stay. */
extern uint8_t harness_input[HARNESS_INPUT_BYTES];
#define INPUT harness_input

/* What the test hands back from a callback, if it answers with bytes. Valid until the next TELL. */
extern uint8_t harness_answer[HARNESS_ANSWER_BYTES];
#define ANSWER harness_answer

/*
 * Calls the test back: `what` says for what, `number` who, `value` anything.
 * @returns what the test answers; the count of bytes in ANSWER if it answers with bytes
 */
int harness_tell(int what, int number, int value, const uint8_t *bytes, int count);
#define TELL harness_tell

#endif
