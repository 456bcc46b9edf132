#include "board.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))

/* The timer of every such processor (Armv7-M architecture, "System timer"). 24 bits, down. */
#define TIMER_CONTROL REGISTER(0xE000E010u)
#define TIMER_RELOAD REGISTER(0xE000E014u)
#define TIMER_VALUE REGISTER(0xE000E018u)
#define TIMER_RUN_WITH_INTERRUPT 7u
#define TIMER_TICKS_MAX 0xFFFFFFu
/* Ticks of the processor in a microsecond. */
#define TICKS_PER_US 25u

/* Of this board: a counter through all 32 bits, and how many ticks lie between two counts. */
#define COUNTER REGISTER(0x40028018u)
#define COUNTER_PRESCALE REGISTER(0x4002801Cu)

/* Semihosting for AArch32, "SYS_WRITE0" and "SYS_EXIT". */
enum { WRITE_TEXT = 0x04, EXIT = 0x18, EXIT_WITH_ERROR = 0x20023 };

/* The emulator writes it; the linker script puts it where it does. */
__attribute__((section(".seed"), used)) static uint32_t seed;
static uint32_t random_state;
static volatile uint8_t is_awake;

static void ask_emulator(uint32_t operation, uint32_t argument) {
  register uint32_t r0 __asm__("r0") = operation;
  register uint32_t r1 __asm__("r1") = argument;
  __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
}

void board_halt(const char *why) {
  ask_emulator(WRITE_TEXT, (uint32_t)(uintptr_t)why);
  ask_emulator(WRITE_TEXT, (uint32_t)(uintptr_t) "\n");
  for (;;) ask_emulator(EXIT, EXIT_WITH_ERROR);
}

uint32_t board_lock(void) {
  uint32_t before;
  __asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(before)::"memory");
  return before;
}

void board_unlock(uint32_t before) { __asm__ volatile("msr primask, %0" ::"r"(before) : "memory"); }

void board_start(void) {
  COUNTER_PRESCALE = TICKS_PER_US - 1;
  COUNTER = 0;
  random_state = seed;
  for (int port = 0; port < UARTS; port++) uart_start(port);
}

uint32_t board_now_us(void) { return COUNTER; }

/* A counter, mixed: enough for a board that is no real one. */
uint32_t board_random(void) {
  uint32_t mixed = random_state += 0x9E3779B9u;
  mixed = (mixed ^ mixed >> 16) * 0x85EBCA6Bu;
  mixed = (mixed ^ mixed >> 13) * 0xC2B2AE35u;
  return mixed ^ mixed >> 16;
}

void board_wake(void) { is_awake = 1; }

void board_on_timer(void) {
  TIMER_CONTROL = 0;
  board_wake();
}

void board_sleep_us(uint32_t us) {
  uint32_t us_max = TIMER_TICKS_MAX / TICKS_PER_US;
  uint32_t ticks = (us < us_max ? us : us_max) * TICKS_PER_US;
  /* What comes between the look at is_awake and "wfi" waits until then, and ends it at once. */
  uint32_t before = board_lock();
  if (!is_awake && ticks > 0) {
    TIMER_RELOAD = ticks;
    TIMER_VALUE = 0;
    TIMER_CONTROL = TIMER_RUN_WITH_INTERRUPT;
    __asm__ volatile("wfi" ::: "memory");
    TIMER_CONTROL = 0;
  }
  is_awake = 0;
  board_unlock(before);
}
