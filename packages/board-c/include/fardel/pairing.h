/**
 * @file
 * How a board is found, and how it gets a key that it shares with its gateway: packages/core/PROTOCOL.md, sections 15
 * and 16. It stands beside the endpoint, and the endpoint knows nothing of it: hand every datagram to
 * fardel_pairing_datagram() first, and to fardel_datagram() if that did not want it.
 *
 * The board is the side that answers (the responder); what offers a pairing runs on gateways, and is not here.
 *
 * As with the endpoint: one task, no allocation, times in microseconds that wrap around. The functions of your
 * ciphers run within fardel_pairing_datagram(), and may take a second on a small processor: nothing else happens
 * meanwhile.
 */
#ifndef FARDEL_PAIRING_H
#define FARDEL_PAIRING_H

#include "crypto.h"
#include "fardel.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Ways of pairing that are compiled: define as 0, for all files alike, what a board does not need. */
#ifndef FARDEL_PAIRING_CABLE
#define FARDEL_PAIRING_CABLE 1
#endif
#ifndef FARDEL_PAIRING_CODE
#define FARDEL_PAIRING_CODE 1
#endif
#ifndef FARDEL_PAIRING_COMPARE
#define FARDEL_PAIRING_COMPARE 1
#endif
#ifndef FARDEL_PAIRING_RENEW
#define FARDEL_PAIRING_RENEW 1
#endif

#if !(FARDEL_PAIRING_CABLE || FARDEL_PAIRING_CODE || FARDEL_PAIRING_COMPARE || FARDEL_PAIRING_RENEW)
#error "Keep one way of pairing. A board that is only to be found gives no crypto in its config."
#endif

/** Smallest MTU for pairing, bytes; to be found needs less. */
#define FARDEL_PAIRING_MTU_MIN 96
/** How long pairing mode lasts by default. */
#define FARDEL_PAIRING_MODE_US 60000000u
/** Wrong proofs in a row after which the way code is closed. */
#define FARDEL_WRONG_PROOFS_MAX 5
#define FARDEL_KIND_BYTES_MAX 16
#define FARDEL_NAME_BYTES_MAX 32
/** Bytes of the name that a pairing tells the other side. */
#define FARDEL_PAIRING_NAME_BYTES_MAX 16
/** Largest OFFER that is taken, and the largest ANSWER, bytes of their bodies. */
#if FARDEL_PAIRING_CODE
#define FARDEL_PAIRING_BODY_BYTES_MAX 92
#else
#define FARDEL_PAIRING_BODY_BYTES_MAX 60
#endif
/** For fardel_outcome(): a ticket that no endpoint gives, for what pairing sends over the same link. */
#define FARDEL_NO_TICKET 15
/** Askers whose last query is remembered: they are answered once. */
#define FARDEL_ASKERS 4

/** Ways of pairing, as bits. */
enum {
  FARDEL_WAY_CABLE = 1,
  FARDEL_WAY_CODE = 2,
  FARDEL_WAY_COMPARE = 4,
  FARDEL_WAY_RENEW = 8
};

/** What it takes, for fardel_pairing_config.takes. */
enum { FARDEL_TAKES_PLAIN = 2, FARDEL_TAKES_PROTECTED = 4 };

/** How an exchange ended. */
enum {
  FARDEL_PAIRED = 0,
  FARDEL_PAIRING_CLOSED = 1,      /**< Not in pairing mode. */
  FARDEL_PAIRING_BUSY = 2,        /**< Another exchange is under way. */
  FARDEL_PAIRING_WAY_CLOSED = 3,  /**< This way is not open. */
  FARDEL_PAIRING_WRONG_PROOF = 4, /**< A wrong code, or somebody in between. */
  FARDEL_PAIRING_REFUSED = 5,     /**< A person refused. */
  FARDEL_PAIRING_CANCELLED = 6,   /**< Given up, or a key could not be stored. */
  FARDEL_PAIRING_TIME_OVER = 7,   /**< Ten seconds without a word, or pairing mode has ended. */
  FARDEL_PAIRING_UNKNOWN = 8      /**< The other side does not know the exchange any more. */
};

/** With whom. Valid during the call; the name is what it says of itself: anybody's bytes. */
typedef struct fardel_partner {
  const uint8_t *address;
  const uint8_t *name;
  uint8_t name_bytes;
  /** FARDEL_WAY_ */
  uint8_t way;
} fardel_partner;

/** What it needs. Constant while it is open; may lie in flash. */
typedef struct fardel_pairing_config {
  /** Given to every callback. */
  void *context;
  /** NULL: it can be found, and not be paired. */
  const fardel_crypto *crypto;
  /** What it is, UTF-8, at most FARDEL_KIND_BYTES_MAX bytes: "row-station". */
  const char *kind;
  /** Which one, UTF-8, at most FARDEL_NAME_BYTES_MAX bytes; of its first 16 the name in pairings. */
  const char *name;
  /** Its own hardware address. */
  uint8_t address[FARDEL_ADDRESS_BYTES];
  /** The address at which the link reaches everybody. */
  uint8_t everybody[FARDEL_ADDRESS_BYTES];
  /** As in fardel_config: what it announces. */
  uint16_t mtu_bytes;
  uint8_t window;
  uint32_t message_bytes_max;
  /** FARDEL_TAKES_PLAIN, FARDEL_TAKES_PROTECTED, or both added. */
  uint8_t takes;
  /** The link is a cable, and nobody else is on it: only then a key may go over it in plain (way cable). */
  uint8_t is_cable;
  /** `w` of its claim code, 32 bytes (PROTOCOL.md, 16.1), as it was written when the label was printed; NULL: none. */
  const uint8_t *claim;
  /**
   * Hands a datagram to the link, which copies it. Its outcome is not needed: where the link tells one to
   * fardel_outcome(), let the ticket be FARDEL_NO_TICKET.
   * @returns 0 if it is taken; less if not: tried again in 2 ms
   */
  int (*transmit)(void *context, const uint8_t *address, const uint8_t *datagram, uint16_t bytes);
  /** 32 random bits, from a source that nobody can foresee: keys are made of them. */
  uint32_t (*random)(void *context);

  /* Keys; all may be NULL without crypto. fardel_keys_ (keys.h) does this for a board with one gateway. */

  /**
   * The pair keys for an address: the one in use first, then from the newest to the oldest.
   * @returns how many, up to FARDEL_KEYS_MAX; FARDEL_REVOKED counts as none
   */
  int (*keys)(void *context, const uint8_t *address, const fardel_pair_key **keys);
  /**
   * A new key: store it, where it survives a restart, beside those that there are, and go on using the one that is
   * in use. The other side learns of it only after this has returned. If it is the first one for this address, tell the
   * endpoint: fardel_keys_changed().
   * @returns 0; less: it is not stored, and the exchange ends
   */
  int (*keep)(void *context, const fardel_partner *partner, const fardel_pair_key *key);
  /** Both sides have this key: use it, and forget the older ones. The same as `right` of fardel_config. */
  void (*right)(void *context, const uint8_t *address, const fardel_pair_key *key);
  /**
   * How many wrong proofs there were in a row: store it, and give it to fardel_pairing_open() after a restart. Each is
   * counted before it is looked at, and 0 follows if it was right: cutting the power gives no guess away.
   * @returns 0; less: it is not stored, and the exchange ends
   */
  int (*keep_wrong_proofs)(void *context, uint8_t count);
  /**
   * Way compare: show this number, 0 to 999,999, in six digits, and ask a person whether the other side shows the
   * same. Answer with fardel_pairing_accept(), later. NULL: this way is closed.
   */
  void (*show)(void *context, const fardel_partner *partner, uint32_t short_code);
  /**
   * An exchange has ended, FARDEL_PAIRED or why not. Without partner (NULL): pairing mode has, by its time
   * (FARDEL_PAIRING_TIME_OVER), or since no way is left after too many wrong codes. It also ends with FARDEL_PAIRED, of
   * any way but renew. May be NULL.
   */
  void (*ended)(void *context, const fardel_partner *partner, int reason);
} fardel_pairing_config;

/** All that it holds. Yours is the memory, and nothing in it. */
typedef struct fardel_pairing {
  const fardel_pairing_config *config;
  uint32_t now_us;
  uint32_t at[6];
  uint32_t exchange;
  /** Bits of the timers that run. */
  uint8_t armed;
  /** What waits to be sent. */
  uint8_t due;
  /** Ways that are open while pairing mode is. */
  uint8_t ways;
  uint8_t wrong_proofs;
  uint8_t phase;
  uint8_t way;
  /** What the last message of the exchange was answered with. */
  uint8_t step;
  uint8_t offer_bytes;
  uint8_t answer_bytes;
  uint8_t share_bytes;
  uint8_t abort_reason;
  /** Why the last exchange ended, for whoever has not heard it. */
  uint8_t last_reason;
  uint8_t askers_next;
  uint32_t abort_exchange;
  uint8_t abort_address[FARDEL_ADDRESS_BYTES];
  /** Who asked last, and gets an answer. */
  uint8_t asker[FARDEL_ADDRESS_BYTES];
  uint8_t partner[FARDEL_ADDRESS_BYTES];
  struct {
    uint32_t id;
    uint8_t address[FARDEL_ADDRESS_BYTES];
    uint8_t is_used;
  } askers[FARDEL_ASKERS];
  /** A scalar until PROOF came; then PRK. */
  uint8_t secret[FARDEL_DIGEST_BYTES];
  /** What came as PROOF, and goes as CHECK. */
  uint8_t proof[FARDEL_DIGEST_BYTES];
  uint8_t check[FARDEL_DIGEST_BYTES];
  /** Bodies of OFFER and ANSWER, from the exchange on. */
  uint8_t offer[FARDEL_PAIRING_BODY_BYTES_MAX];
  uint8_t answer[FARDEL_PAIRING_BODY_BYTES_MAX];
} fardel_pairing;

/**
 * Begins, out of pairing mode, and announces the board once within a second.
 * @param wrong_proofs as `keep_wrong_proofs` stored it; 0 for a new board
 * @returns FARDEL_OK, FARDEL_INVALID
 */
int fardel_pairing_open(fardel_pairing *pairing, const fardel_pairing_config *config,
                        uint8_t wrong_proofs, uint32_t now_us);

/**
 * A datagram came.
 * @returns 1: it belongs to no session, and is done with; 0: it is the endpoint's
 */
int fardel_pairing_datagram(fardel_pairing *pairing, const uint8_t *address,
                            const uint8_t *datagram, uint16_t bytes, uint32_t now_us);

/**
 * Does what is due. Call it after each of the other functions, and when the time is up that it returned.
 * @returns microseconds until it wants to be called again, or FARDEL_NEVER
 */
uint32_t fardel_pairing_poll(fardel_pairing *pairing, uint32_t now_us);

/** Announces the board once more, within a second. */
void fardel_pairing_announce(fardel_pairing *pairing, uint32_t now_us);

/**
 * Opens pairing mode, for one pairing: somebody has pressed the button.
 * @param ways FARDEL_WAY_, added; those that cannot be are left out. Renewing needs no pairing mode.
 * @param duration_us at most 30 minutes; FARDEL_PAIRING_MODE_US
 * @returns the ways that are open now; FARDEL_INVALID if there is none
 */
int fardel_pairing_start(fardel_pairing *pairing, uint8_t ways, uint32_t duration_us,
                         uint32_t now_us);

/** Ends pairing mode, and an exchange that has not come to a key yet. */
void fardel_pairing_stop(fardel_pairing *pairing, uint32_t now_us);

/** Whether it is in pairing mode. */
int fardel_pairing_is_open(const fardel_pairing *pairing);

/** What the person says to the short code that `show` showed. Without one that waits it does nothing. */
void fardel_pairing_accept(fardel_pairing *pairing, int is_same, uint32_t now_us);

/**
 * The endpoint has found a datagram right under this key of the address: call it from `right` of fardel_config. If
 * the key is that of the exchange under way, the exchange has come to its good end.
 */
void fardel_pairing_right(fardel_pairing *pairing, const uint8_t *address,
                          const fardel_pair_key *key, uint32_t now_us);

/** The owner allows the way code again, after too many wrong proofs. Store 0 for their count. */
void fardel_pairing_allow_code(fardel_pairing *pairing);

/** A plain sentence for how an exchange ended, in flash. */
const char *fardel_pairing_text(int reason);

#ifdef __cplusplus
}
#endif
#endif
