/* From reset to main(): the vector table, variables into RAM, and a mark on the stack. */
#include <string.h>

#include "board.h"

/* From the linker script. */
extern uint32_t data_start[], data_end[], data_in_flash[], bss_start[], bss_end[], stack_top[];

#define STACK_MARK 0xA5A5A5A5u
/* Below the frame of reset() itself. */
#define STACK_MARGIN_WORDS 16

int main(void);
void reset(void);

static void fault(void) { board_halt("fault"); }

static void unexpected(void) { board_halt("an interrupt that nobody expects"); }

typedef void (*handler)(void);

struct vectors {
  uint32_t *stack;
  handler system[15];
  handler interrupts[32];
};

/* Armv7-M architecture, "The vector table": reset is 1, faults 3 to 6, the system's timer 15. */
__attribute__((section(".vectors"), used)) static const struct vectors vectors = {
    .stack = stack_top,
    .system = {reset, fault, fault, fault, fault, fault, 0, 0, 0, 0, unexpected, unexpected, 0,
               unexpected, board_on_timer},
    .interrupts = {uart_on_received_0, uart_on_sent_0, uart_on_received_1, uart_on_sent_1},
};

static size_t bytes_between(const uint32_t *from, const uint32_t *to) {
  return (size_t)((uintptr_t)to - (uintptr_t)from);
}

void reset(void) {
  memcpy(data_start, data_in_flash, bytes_between(data_start, data_end));
  memset(bss_start, 0, bytes_between(bss_start, bss_end));
  uint32_t *frame = __builtin_frame_address(0);
  for (uint32_t *word = bss_end; word < frame - STACK_MARGIN_WORDS; word++) *word = STACK_MARK;
  main();
  board_halt("main has returned");
}

size_t board_stack_bytes(void) {
  const uint32_t *word = bss_end;
  while (*word == STACK_MARK) word++;
  return bytes_between(word, stack_top);
}
