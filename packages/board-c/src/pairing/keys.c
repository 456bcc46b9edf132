/* Which keys there are, and which goes when; PROTOCOL.md, section 16.3. */
#include "fardel/keys.h"

#include <string.h>

#include "../crypto/digest.h"

static int is_of(const fardel_keys *record, const uint8_t *address) {
  return memcmp(record->address, address, FARDEL_ADDRESS_BYTES) == 0;
}

int fardel_keys_of(const fardel_keys *record, const uint8_t *address, const fardel_pair_key **keys) {
  *keys = record->keys;
  if (!is_of(record, address)) return 0;
  return record->is_revoked ? FARDEL_REVOKED : record->count;
}

void fardel_keys_add(fardel_keys *record, const uint8_t *address, const fardel_pair_key *key) {
  if (!is_of(record, address)) fdl_wipe(record, sizeof *record);
  memcpy(record->address, address, FARDEL_ADDRESS_BYTES);
  record->is_revoked = 0;
  uint8_t place = record->count > 0;
  if (record->count == FARDEL_KEYS_MAX) record->count--;
  memmove(&record->keys[place + 1], &record->keys[place],
          (size_t)(record->count - place) * sizeof *key);
  record->keys[place] = *key;
  record->count++;
}

int fardel_keys_right(fardel_keys *record, const uint8_t *address, const fardel_pair_key *key) {
  uint8_t place = 0;
  if (!is_of(record, address)) return 0;
  while (place < record->count &&
         !fdl_is_equal(record->keys[place].bytes, key->bytes, FARDEL_PAIR_KEY_BYTES))
    place++;
  if (place == 0 || place >= record->count) return 0;
  /* Older ones go, the one in use so far among them; newer ones may still be understood. */
  record->keys[0] = record->keys[place];
  fdl_wipe(&record->keys[place], (size_t)(record->count - place) * sizeof *key);
  record->count = place;
  return 1;
}

void fardel_keys_revoke(fardel_keys *record) {
  fdl_wipe(record->keys, sizeof record->keys);
  record->count = 0;
  record->is_revoked = 1;
}
