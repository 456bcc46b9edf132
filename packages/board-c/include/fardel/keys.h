/**
 * @file
 * The pair keys of a board with one gateway: a record that is stored as it is, and the rules of
 * packages/core/PROTOCOL.md, section 16.3, which say when a key comes, is used, and goes.
 *
 * Store the whole struct after each change, twice if a cut of power may leave half of it, and give it back after a
 * restart. All zeros: nobody has been paired yet.
 */
#ifndef FARDEL_KEYS_H
#define FARDEL_KEYS_H

#include "crypto.h"
#include "fardel.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct fardel_keys {
  uint8_t address[FARDEL_ADDRESS_BYTES];
  uint8_t count;
  uint8_t is_revoked;
  /** The one in use first, then from the newest to the oldest. */
  fardel_pair_key keys[FARDEL_KEYS_MAX];
} fardel_keys;

/** For `keys` of fardel_config and of fardel_pairing_config. @returns how many, or FARDEL_REVOKED */
int fardel_keys_of(const fardel_keys *record, const uint8_t *address, const fardel_pair_key **keys);

/**
 * A new key, from `keep`: understood from now on; the one in use stays in use, if there is one. If the board was
 * paired with another address before, that one is forgotten. If there are too many, the oldest but the one in use goes.
 */
void fardel_keys_add(fardel_keys *record, const uint8_t *address, const fardel_pair_key *key);

/** Both sides have this key, from `right`. @returns 1: something has changed, store it; 0 */
int fardel_keys_right(fardel_keys *record, const uint8_t *address, const fardel_pair_key *key);

/**
 * Speak no more with whoever it was paired with; a new pairing ends that. Call fardel_pairing_stop() before it, or an
 * exchange under way would give a key again, and fardel_keys_changed() behind it.
 */
void fardel_keys_revoke(fardel_keys *record);

#ifdef __cplusplus
}
#endif
#endif
