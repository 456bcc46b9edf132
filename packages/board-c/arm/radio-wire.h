/**
 * @file
 * A radio that is a wire: the second serial port of two emulated boards, joined. Frames are
 * delimited as in SLIP (RFC 1055) and hold
 *
 *     kind, 1 byte | to, 6 bytes | from, 6 bytes | datagram | CRC-16, 2 bytes
 *
 * As with many radios, whoever gets a datagram for its address acknowledges it at once, datagrams
 * to everybody are not acknowledged, damaged ones are not seen, and one datagram is under way at a
 * time.
 */
#ifndef RADIO_WIRE_H
#define RADIO_WIRE_H

#include <stdint.h>

enum { WIRE_ADDRESS_BYTES = 6, WIRE_DATAGRAM_BYTES = 250 };

/** What became of a datagram. */
enum { WIRE_LEFT = 1, WIRE_ACKNOWLEDGED = 2, WIRE_NOT_ACKNOWLEDGED = 3 };

/** Both callbacks come from within wire_work(), with interrupts kept out. */
typedef struct wire_config {
  uint8_t address[WIRE_ADDRESS_BYTES];
  void (*on_heard)(const uint8_t *from, const uint8_t *datagram, uint16_t bytes);
  void (*on_outcome)(int outcome);
} wire_config;

void wire_open(const wire_config *config);
/** @returns 0 if the datagram is taken: `on_outcome` follows; less: not now */
int wire_send(const uint8_t *to, const uint8_t *datagram, uint16_t bytes);
/** Reads what has come, and sees what is due. From the loop, from an interrupt, or both. */
void wire_work(void);
/** @returns microseconds until wire_work() has something to do though nothing comes */
uint32_t wire_wait_us(void);

#endif
