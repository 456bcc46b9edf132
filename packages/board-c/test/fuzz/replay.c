/*
 * Runs a fuzzing target on the inputs of a corpus, without libFuzzer: one input a line on standard input,
 * as hexadecimal digits; lines that begin with # are passed over. Says which line it is at before it begins,
 * so that the last thing it says names the one that fails.
 */
#define _POSIX_C_SOURCE 200809L
#include <string.h>
#include <unistd.h>

#include "fuzz.h"

/* One input that takes so long goes round in circles; seconds. */
enum { INPUT_S_MAX = 30, LINE_BYTES_MAX = 65536 };

static int digit(char of) {
  if (of >= '0' && of <= '9') return of - '0';
  return of >= 'a' && of <= 'f' ? of - 'a' + 10 : -1;
}

int main(void) {
  static char line[LINE_BYTES_MAX];
  static uint8_t data[LINE_BYTES_MAX / 2];
  int number = 0;
  int inputs = 0;
  while (fgets(line, sizeof line, stdin)) {
    size_t digits = strcspn(line, "\n");
    number++;
    if (line[0] == '#') continue;
    for (size_t i = 0; i < digits; i++)
      EXPECT(digit(line[i]) >= 0 && digits % 2 == 0, "a line of a corpus is bytes in hex");
    for (size_t i = 0; i < digits / 2; i++)
      data[i] = (uint8_t)(digit(line[2 * i]) << 4 | digit(line[2 * i + 1]));
    printf("line %d\n", number);
    fflush(stdout);
    alarm(INPUT_S_MAX);
    uint8_t *copy = fuzz_copy(data, digits / 2);
    LLVMFuzzerTestOneInput(copy, digits / 2);
    free(copy);
    inputs++;
  }
  printf("%d inputs\n", inputs);
  return 0;
}
