/*
 * The side of harness.h in a program of the system: calls come on standard input, answers and callbacks go
 * out on standard output, as support/native-program.ts writes and reads them. All numbers are u32, least
 * significant byte first, whatever the processor prefers.
 */
#define _POSIX_C_SOURCE 200809L
#include <signal.h>
#include <stdio.h>
#include <unistd.h>

#include "harness.h"

uint8_t harness_input[HARNESS_INPUT_BYTES];
uint8_t harness_answer[HARNESS_ANSWER_BYTES];

/* Of the table that is written when the program is built. */
int harness_dispatch(int function, const int *arguments);

enum { FROM_TEST_CALL = 1, FROM_TEST_ANSWER = 2 };
enum { TO_TEST_RESULT = 1, TO_TEST_TELL = 2 };
enum { ARGUMENTS = 8 };
/* A call that takes so long, with all its callbacks, goes round in circles; seconds. */
enum { CALL_S_MAX = 30 };

static void read_all(uint8_t *into, size_t count) {
  /* The test has ended: so do we. */
  if (count > 0 && fread(into, 1, count, stdin) != count) exit(0);
}

static int read_int(void) {
  uint8_t bytes[4];
  read_all(bytes, sizeof bytes);
  return (int)((uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 |
               (uint32_t)bytes[3] << 24);
}

static void write_int(int value) {
  uint8_t bytes[4];
  for (int i = 0; i < 4; i++) bytes[i] = (uint8_t)((uint32_t)value >> (8 * i));
  fwrite(bytes, 1, sizeof bytes, stdout);
}

/* Serves calls until the test answers. @returns what it answers */
static int serve(void) {
  for (;;) {
    int kind = read_int();
    if (kind == FROM_TEST_ANSWER) {
      int result = read_int();
      read_all(harness_answer, (size_t)read_int());
      return result;
    }
    int function = read_int();
    int arguments[ARGUMENTS];
    for (int i = 0; i < ARGUMENTS; i++) arguments[i] = read_int();
    read_all(harness_input, (size_t)read_int());
    alarm(CALL_S_MAX);
    int result = harness_dispatch(function, arguments);
    alarm(0);
    write_int(TO_TEST_RESULT);
    write_int(result);
    fflush(stdout);
  }
}

int harness_tell(int what, int number, int value, const uint8_t *bytes, int count) {
  write_int(TO_TEST_TELL);
  write_int(what);
  write_int(number);
  write_int(value);
  write_int(count);
  if (count > 0) fwrite(bytes, 1, (size_t)count, stdout);
  fflush(stdout);
  return serve();
}

static void stop(int signal_number) {
  static const char text[] = "A call has not returned.\n";
  (void)signal_number;
  if (write(STDERR_FILENO, text, sizeof text - 1) < 0) _exit(2);
  _exit(1);
}

int main(void) {
  signal(SIGALRM, stop);
  for (;;) serve();
}
