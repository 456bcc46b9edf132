/* What the parts of pairing know of each other; PROTOCOL.md, sections 15 and 16. */
#ifndef FARDEL_PAIRING_PARTS_H
#define FARDEL_PAIRING_PARTS_H

#include <string.h>

#include "../endpoint/wire.h"
#include "fardel/pairing.h"

/** First byte of a datagram without session. */
#define HEAD_SESSIONLESS 0x60
#define SESSIONLESS_HEAD_BYTES 2
enum { KIND_ANNOUNCE = 1, KIND_QUERY = 2, KIND_PAIR = 3 };

enum {
  STEP_OFFER = 1,
  STEP_ANSWER,
  STEP_PROOF,
  STEP_CHECK,
  STEP_KEPT,
  STEP_DONE,
  STEP_WAIT,
  STEP_ABORT
};

/** Ways as they are sent: 1 to 4. */
enum { CABLE = 1, CODE = 2, COMPARE = 3, RENEW = 4 };
static inline uint8_t bit_of(uint8_t way) { return (uint8_t)(1 << (way - 1)); }

/** Timers. */
enum {
  /** Pairing mode ends. */
  T_MODE,
  T_ANNOUNCE,
  /** The answer to a query goes. */
  T_REPLY,
  /** Nothing more comes of the exchange. */
  T_SILENCE,
  /** Until then the limit of answers to queries counts. */
  T_LIMIT,
  /** The link did not take anything: not before this. */
  T_RETRY,
  TIMERS
};

/** What waits to be sent, as bits. */
enum { DUE_STEP = 1, DUE_ABORT = 2, DUE_REPLY = 4, DUE_ANNOUNCE = 8 };

/** How far an exchange is. */
enum {
  PHASE_NONE,
  /** ANSWER: PROOF is to come. */
  PHASE_ANSWERED,
  /** PROOF was right, and a person is asked. */
  PHASE_ASKING,
  /** ... and has said yes. PROOF comes once more. */
  PHASE_ACCEPTED,
  /** The key is stored. KEPT is to come. */
  PHASE_CHECKED,
  /** ... and came. It is answered once more if it comes again. */
  PHASE_KEPT
};

#define SILENCE_US 10000000u
#define EXCHANGE_BYTES 4
#define PAIR_TAG_BYTES 16

/* pairing.c */
void fdl_pairing_arm(fardel_pairing *pairing, int timer, uint32_t wait_us);
void fdl_pairing_disarm(fardel_pairing *pairing, int timer);
int fdl_pairing_is_armed(const fardel_pairing *pairing, int timer);
/** Uniform, below `range`. */
uint32_t fdl_pairing_draw(const fardel_pairing *pairing, uint32_t range);
/** Ways that are open now. */
uint8_t fdl_ways_open(const fardel_pairing *pairing);
/** How many bytes of a text go into `bytes_max` without cutting a character. */
uint8_t fdl_text_bytes(const char *text, uint16_t bytes_max);
uint8_t *fdl_put_text(uint8_t *at, const char *text, uint16_t bytes_max);

/** A body while it is read. */
typedef struct fdl_reader {
  const uint8_t *at;
  const uint8_t *end;
} fdl_reader;
/** The next bytes. @returns NULL: it ends before */
const uint8_t *fdl_read(fdl_reader *in, uint16_t count);
/** @returns its bytes; NULL: it is cut short. `count` is its length. */
const uint8_t *fdl_read_text(fdl_reader *in, uint8_t *count);

/* announce.c */
/** Body of ANNOUNCE behind `at`. @returns its end */
uint8_t *fdl_put_announcement(const fardel_pairing *pairing, uint8_t *at);
/** Whether there is an MTU for it, and texts that may be. */
int fdl_can_announce(const fardel_pairing_config *config);
/** The next announcement in pairing mode. */
void fdl_plan_announcement(fardel_pairing *pairing);
void fdl_query(fardel_pairing *pairing, const uint8_t *address, fdl_reader *in);

/* exchange.c */
void fdl_pair(fardel_pairing *pairing, const uint8_t *address, const uint8_t *body,
              uint16_t count);
/** Ends the exchange; the application is told, unless it has had its good end. */
void fdl_forget_exchange(fardel_pairing *pairing, int reason);
/** ... and the other side, too. */
void fdl_abort_exchange(fardel_pairing *pairing, uint8_t reason);
/** Body of what the exchange has to say, behind `at`. @returns its end */
uint8_t *fdl_put_step(const fardel_pairing *pairing, uint8_t *at);

/* ways.c */
/** Bytes of shares, of PROOF and of CHECK; 0: there is no such way. */
uint8_t fdl_share_bytes(uint8_t way);
uint8_t fdl_proof_bytes(uint8_t way);
uint8_t fdl_check_bytes(uint8_t way);
/** Draws our share, and what it is made of. @returns 0, or less */
int fdl_make_share(fardel_pairing *pairing, uint8_t *share);
/**
 * Whether PROOF is right; then all that follows from it is known. Wrong is also what cannot be computed.
 * @returns 0, or less
 */
int fdl_prove(fardel_pairing *pairing, const uint8_t *proof);
/** First 16 bytes: the tag of a step. @returns 0, or less */
int fdl_tag(const fardel_pairing *pairing, uint8_t step, uint8_t tag[FARDEL_DIGEST_BYTES]);
int fdl_pair_key(const fardel_pairing *pairing, fardel_pair_key *key);
uint32_t fdl_short_code(const fardel_pairing *pairing);

#endif
