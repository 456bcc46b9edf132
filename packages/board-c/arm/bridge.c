/*
 * Image "bridge": examples/bridge.c as it is, on the emulated board. The host is at the first
 * serial port, the radio is the wire at the second one.
 */
#include <string.h>

#include "board.h"
#include "radio-wire.h"

/* Its functions of the board have no header of their own. */
#include "../examples/bridge.c"

enum { HOST = 0, HEARD_PLACES = 4, RSSI_DBM = -52 };

static board_heard heard_ring[HEARD_PLACES];
static uint8_t heard_in;
static uint8_t heard_out;
static int wire_outcome;

/* A datagram that finds no place is lost like others in the air. */
static void on_heard(const uint8_t *from, const uint8_t *datagram, uint16_t bytes) {
  if ((uint8_t)(heard_in - heard_out) == HEARD_PLACES) return;
  board_heard *heard = &heard_ring[heard_in++ % HEARD_PLACES];
  memcpy(heard->from, from, ADDRESS_BYTES);
  memcpy(heard->bytes, datagram, bytes);
  heard->count = bytes;
  heard->rssi_dbm = RSSI_DBM;
}

static void on_outcome(int outcome) {
  static const uint8_t said[] = {0, FARDEL_BRIDGE_SENT, FARDEL_BRIDGE_ACKNOWLEDGED,
                                 FARDEL_BRIDGE_NOT_ACKNOWLEDGED};
  wire_outcome = said[outcome];
}

static const wire_config wire = {
    .address = {2, 0, 0, 0, 0, 1},
    .on_heard = on_heard,
    .on_outcome = on_outcome,
};

uint32_t board_incarnation(void) {
  uint32_t number = board_random();
  return number ? number : 1;
}

size_t board_port_read(uint8_t *into, size_t max) { return uart_read(HOST, into, max); }
size_t board_port_room(void) { return uart_room(HOST); }
void board_port_write(const uint8_t *bytes, size_t count) { uart_write(HOST, bytes, count); }

void board_radio_address(uint8_t *address) {
  wire_open(&wire);
  memcpy(address, wire.address, ADDRESS_BYTES);
}

uint8_t board_radio_channel(void) { return 0; }

int board_radio_send(const uint8_t *to, const uint8_t *datagram, uint16_t bytes) {
  wire_outcome = 0;
  return wire_send(to, datagram, bytes);
}

int board_radio_outcome(void) {
  wire_work();
  int outcome = wire_outcome;
  wire_outcome = 0;
  return outcome;
}

int board_radio_heard(board_heard *heard) {
  if (heard_in == heard_out) return 0;
  *heard = heard_ring[heard_out++ % HEARD_PLACES];
  return 1;
}

/* The wire needs no table. */
int board_radio_put_in(const uint8_t *address) {
  (void)address;
  return 0;
}

void board_radio_put_out(const uint8_t *address) { (void)address; }

int board_radio_set_channel(uint8_t channel) {
  (void)channel;
  return -1;
}
