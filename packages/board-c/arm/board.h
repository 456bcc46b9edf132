/**
 * @file
 * An emulated board with a Cortex-M3: a clock, two serial ports, and a way to end the emulator.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stddef.h>
#include <stdint.h>

/** Clock, ports and interrupts run. */
void board_start(void);
/** Microseconds since boot, through all 32 bits. */
uint32_t board_now_us(void);
/** 32 random bits. Their seed comes from the emulator. */
uint32_t board_random(void);
/** Sleeps until an interrupt, no longer than this; not at all if one came since the last time. */
void board_sleep_us(uint32_t us);
/** Ends the emulator with exit code 1, and prints why. */
void board_halt(const char *why) __attribute__((noreturn));
/** The deepest that the stack has been since boot, interrupts included, bytes. */
size_t board_stack_bytes(void);

/** Keeps interrupts out. @returns what board_unlock() wants */
uint32_t board_lock(void);
void board_unlock(uint32_t before);

/** Two serial ports, 0 and 1. Each has a ring of bytes each way that interrupts fill and empty. */
enum { UARTS = 2, UART_RING_BYTES = 1024 };

void uart_start(int port);
/** @returns bytes that have come and were not given yet, at most `max` of them */
size_t uart_read(int port, uint8_t *into, size_t max);
/** @returns how many bytes uart_write() takes now */
size_t uart_room(int port);
void uart_write(int port, const uint8_t *bytes, size_t count);
/** @returns bytes that were dropped since boot, because nobody read */
uint32_t uart_dropped(int port);
/** Calls this in the interrupt in which bytes came. */
void uart_listen(int port, void (*on_received)(void));

/* Interrupts, for the vector table. */
void board_on_timer(void);
void uart_on_received_0(void);
void uart_on_sent_0(void);
void uart_on_received_1(void);
void uart_on_sent_1(void);
/** Any interrupt has come: the next board_sleep_us() does not sleep. */
void board_wake(void);

#endif
