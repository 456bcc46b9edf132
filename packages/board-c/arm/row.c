/*
 * Image "row": a station of the frost watch alone, with the radio-wire on its second serial port.
 * The radio calls back in an interrupt, and the inbox carries what it says to the loop.
 */
#include "board.h"
#include "fardel/fardel.h"
#include "fardel/inbox.h"
#include "frost-watch.h"
#include "radio-wire.h"

enum { MTU = WIRE_DATAGRAM_BYTES, PEERS = 1, WINDOW = 8, BUFFERS = WINDOW - 1 };
enum { SLOTS = 3, RSSI = -52 };

#define WORDS(bytes) (((bytes) + sizeof(void *) - 1) / sizeof(void *))
static void *endpoint_memory[WORDS(FARDEL_BYTES(MTU, PEERS, BUFFERS))];
static uint8_t inbox_memory[FARDEL_INBOX_BYTES(MTU, SLOTS)];
static fardel_endpoint *endpoint;
static fardel_inbox inbox;
/* Of the one datagram that the radio has. */
static volatile uint8_t ticket_with_radio;

static void on_heard(const uint8_t *from, const uint8_t *datagram, uint16_t bytes) {
  fardel_inbox_datagram(&inbox, from, datagram, bytes, RSSI);
}

static void on_outcome(int outcome) {
  static const uint8_t said[] = {0, FARDEL_LEFT, FARDEL_ACKNOWLEDGED, FARDEL_NOT_ACKNOWLEDGED};
  fardel_inbox_outcome(&inbox, ticket_with_radio, said[outcome]);
  board_wake();
}

static const wire_config wire = {
    .address = {2, 0, 0, 0, 0, 3},
    .on_heard = on_heard,
    .on_outcome = on_outcome,
};

static int transmit(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes,
                    uint8_t ticket) {
  (void)context;
  /* Noted first: the outcome may come before wire_send() returns. No other one is under way. */
  ticket_with_radio = ticket;
  return wire_send(address, datagram, bytes);
}

static uint32_t draw(void *context) {
  (void)context;
  return board_random();
}

static const fardel_config config = {
    .mtu_bytes = MTU,
    .peers = PEERS,
    .window = WINDOW,
    .buffers = BUFFERS,
    .link_depth = 1,
    .transmit = transmit,
    .random = draw,
    .receive = frost_watch_receive,
    .ended = frost_watch_ended,
    .session = frost_watch_session,
};

static uint32_t least(uint32_t one, uint32_t other) { return one < other ? one : other; }

int main(void) {
  board_start();
  fardel_inbox_open(&inbox, inbox_memory, sizeof inbox_memory, MTU, SLOTS);
  wire_open(&wire);
  uart_listen(1, wire_work);
  int result =
      fardel_open(&endpoint, endpoint_memory, sizeof endpoint_memory, &config, board_now_us());
  if (result < 0) board_halt(fardel_text(result));
  frost_watch_open(endpoint);
  for (;;) {
    wire_work();
    fardel_inbox_drain(&inbox, endpoint, board_now_us());
    uint32_t wait_us = frost_watch_work(board_now_us());
    wait_us = least(wait_us, fardel_poll(endpoint, board_now_us()));
    board_sleep_us(least(wait_us, wire_wait_us()));
  }
}
