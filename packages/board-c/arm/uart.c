/* The serial ports. Interrupts move bytes between a port and its rings. */
#include "board.h"

/* Registers of one port. Bits of state and control: 1 sending, 2 receiving. */
typedef struct uart_registers {
  volatile uint32_t data;
  volatile uint32_t state;
  volatile uint32_t control;
  volatile uint32_t interrupts;
  volatile uint32_t divider;
} uart_registers;

enum { SENDING = 1, RECEIVING = 2, INTERRUPT_SENT = 4, INTERRUPT_RECEIVED = 8 };

#define REGISTERS(port) ((uart_registers *)(0x40004000u + 0x1000u * (uint32_t)(port)))
/* Ticks of the processor for each bit: 115,200 bit/s. The emulator does not wait for them. */
#define DIVIDER 217u
/* Armv7-M architecture, "Nested vectored interrupt controller": a bit for each interrupt. */
#define INTERRUPTS_ON (*(volatile uint32_t *)0xE000E100u)

/* One side writes `in`, the other one `out`. Both count on and on; the ring is a power of two. */
typedef struct byte_ring {
  volatile uint32_t in;
  volatile uint32_t out;
  uint8_t bytes[UART_RING_BYTES];
} byte_ring;

static struct uart {
  byte_ring received;
  byte_ring sending;
  uint32_t dropped;
  void (*on_received)(void);
} uarts[UARTS];

static uint32_t used(const byte_ring *ring) { return ring->in - ring->out; }

/* One processor: it is enough that the compiler keeps the order. */
#define BARRIER() __asm__ volatile("" ::: "memory")

static void put(byte_ring *ring, uint8_t byte) {
  ring->bytes[ring->in % UART_RING_BYTES] = byte;
  BARRIER();
  ring->in++;
}

static uint8_t take(byte_ring *ring) {
  uint8_t byte = ring->bytes[ring->out % UART_RING_BYTES];
  BARRIER();
  ring->out++;
  return byte;
}

void uart_start(int port) {
  uart_registers *registers = REGISTERS(port);
  registers->divider = DIVIDER;
  registers->control = SENDING | RECEIVING | INTERRUPT_SENT | INTERRUPT_RECEIVED;
  /* Received and sent are neighbours. */
  INTERRUPTS_ON = 3u << (2 * port);
}

void uart_listen(int port, void (*on_received)(void)) { uarts[port].on_received = on_received; }

size_t uart_read(int port, uint8_t *into, size_t max) {
  byte_ring *received = &uarts[port].received;
  size_t count = 0;
  while (count < max && used(received) > 0) into[count++] = take(received);
  return count;
}

size_t uart_room(int port) { return UART_RING_BYTES - used(&uarts[port].sending); }

/* From the interrupt, or with interrupts kept out. */
static void push(int port) {
  byte_ring *sending = &uarts[port].sending;
  uart_registers *registers = REGISTERS(port);
  while (used(sending) > 0 && !(registers->state & SENDING)) registers->data = take(sending);
}

void uart_write(int port, const uint8_t *bytes, size_t count) {
  for (size_t index = 0; index < count; index++) put(&uarts[port].sending, bytes[index]);
  uint32_t before = board_lock();
  push(port);
  board_unlock(before);
}

uint32_t uart_dropped(int port) { return uarts[port].dropped; }

static void on_received(int port) {
  struct uart *uart = &uarts[port];
  uart_registers *registers = REGISTERS(port);
  registers->interrupts = RECEIVING;
  while (registers->state & RECEIVING) {
    uint8_t byte = (uint8_t)registers->data;
    if (used(&uart->received) < UART_RING_BYTES)
      put(&uart->received, byte);
    else
      uart->dropped++;
  }
  if (uart->on_received) uart->on_received();
  board_wake();
}

static void on_sent(int port) {
  REGISTERS(port)->interrupts = SENDING;
  push(port);
  board_wake();
}

void uart_on_received_0(void) { on_received(0); }
void uart_on_sent_0(void) { on_sent(0); }
void uart_on_received_1(void) { on_received(1); }
void uart_on_sent_1(void) { on_sent(1); }
