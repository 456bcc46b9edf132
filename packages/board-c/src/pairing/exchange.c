/* The side of pairing that answers; PROTOCOL.md, sections 16 and 16.3. */
#include "../crypto/digest.h"
#include "parts.h"

/* In a body of PAIR: the step, and the exchange. */
#define HEAD_BYTES (1 + EXCHANGE_BYTES)
/* In an OFFER from the exchange on: where its share begins. */
#define SHARE_AT (EXCHANGE_BYTES + 1)

static fardel_partner partner_of(const fardel_pairing *pairing) {
  const uint8_t *name = pairing->offer + SHARE_AT + pairing->share_bytes;
  fardel_partner partner = {pairing->partner, name + 1, name[0], bit_of(pairing->way)};
  return partner;
}

static void wipe(fardel_pairing *pairing) {
  fdl_wipe(pairing->secret, sizeof pairing->secret);
  fdl_wipe(pairing->proof, sizeof pairing->proof);
  fdl_wipe(pairing->check, sizeof pairing->check);
}

void fdl_forget_exchange(fardel_pairing *pairing, int reason) {
  const fardel_pairing_config *config = pairing->config;
  int is_told = pairing->phase != PHASE_KEPT && pairing->phase != PHASE_NONE;
  pairing->phase = PHASE_NONE;
  pairing->last_reason = FARDEL_PAIRING_UNKNOWN;
  pairing->due &= (uint8_t)~DUE_STEP;
  fdl_pairing_disarm(pairing, T_SILENCE);
  wipe(pairing);
  fardel_partner partner = partner_of(pairing);
  if (is_told && config->ended) config->ended(config->context, &partner, reason);
}

/* One waits at most: who is not answered asks again. */
static void answer_abort(fardel_pairing *pairing, const uint8_t *address, const uint8_t *exchange,
                         uint8_t reason) {
  if (pairing->due & DUE_ABORT) return;
  pairing->abort_exchange = fdl_get_u32(exchange);
  pairing->abort_reason = reason;
  memcpy(pairing->abort_address, address, FARDEL_ADDRESS_BYTES);
  pairing->due |= DUE_ABORT;
}

void fdl_abort_exchange(fardel_pairing *pairing, uint8_t reason) {
  answer_abort(pairing, pairing->partner, pairing->offer, reason);
  fdl_forget_exchange(pairing, reason);
  pairing->last_reason = reason;
}

static void say(fardel_pairing *pairing, uint8_t step) {
  pairing->step = step;
  pairing->due |= DUE_STEP;
}

/* A new step came of it. */
static void note_step(fardel_pairing *pairing) {
  fdl_pairing_arm(pairing, T_SILENCE, SILENCE_US);
}

uint8_t *fdl_put_step(const fardel_pairing *pairing, uint8_t *at) {
  *at++ = pairing->step;
  if (pairing->step == STEP_ANSWER) {
    memcpy(at, pairing->answer, pairing->answer_bytes);
    return at + pairing->answer_bytes;
  }
  uint8_t bytes = 0;
  if (pairing->step == STEP_CHECK) bytes = fdl_check_bytes(pairing->way);
  if (pairing->step == STEP_DONE) bytes = PAIR_TAG_BYTES;
  memcpy(at, pairing->offer, EXCHANGE_BYTES);
  memcpy(at + EXCHANGE_BYTES, pairing->check, bytes);
  return at + EXCHANGE_BYTES + bytes;
}

/* ---- OFFER */

/* Why an offer is not taken; 0: it is. */
static uint8_t refusal_of(const fardel_pairing *pairing, const uint8_t *address, uint8_t way) {
  const fardel_pairing_config *config = pairing->config;
  const fardel_pair_key *keys;
  if (pairing->phase != PHASE_NONE && pairing->phase != PHASE_KEPT) return FARDEL_PAIRING_BUSY;
  if (way != RENEW && !fardel_pairing_is_open(pairing)) return FARDEL_PAIRING_CLOSED;
  if (!(fdl_ways_open(pairing) & bit_of(way))) return FARDEL_PAIRING_WAY_CLOSED;
  if (way == RENEW && config->keys(config->context, address, &keys) <= 0)
    return FARDEL_PAIRING_WAY_CLOSED;
  return 0;
}

static void begin(fardel_pairing *pairing, const uint8_t *address, uint8_t way) {
  pairing->phase = PHASE_ANSWERED;
  pairing->way = way;
  pairing->share_bytes = fdl_share_bytes(way);
  pairing->exchange = fdl_get_u32(pairing->offer);
  memcpy(pairing->partner, address, FARDEL_ADDRESS_BYTES);
  memcpy(pairing->answer, pairing->offer, EXCHANGE_BYTES);
  uint8_t *share = pairing->answer + EXCHANGE_BYTES;
  if (fdl_make_share(pairing, share) < 0) {
    fdl_abort_exchange(pairing, FARDEL_PAIRING_CANCELLED);
    return;
  }
  const uint8_t *end = fdl_put_text(share + pairing->share_bytes, pairing->config->name,
                                    FARDEL_PAIRING_NAME_BYTES_MAX);
  pairing->answer_bytes = (uint8_t)(end - pairing->answer);
  note_step(pairing);
  say(pairing, STEP_ANSWER);
}

static void take_offer(fardel_pairing *pairing, const uint8_t *address, int is_this,
                       const uint8_t *body, uint16_t count) {
  fdl_reader in = {body + HEAD_BYTES, body + count};
  const uint8_t *way = fdl_read(&in, 1);
  uint8_t name_bytes;
  if (!way || !fdl_share_bytes(*way) || !fdl_read(&in, fdl_share_bytes(*way))) return;
  if (!fdl_read_text(&in, &name_bytes) || name_bytes > FARDEL_PAIRING_NAME_BYTES_MAX) return;
  if (is_this) {
    /* A copy that comes late begins nothing. Another offer under the same number is somebody else's. */
    int is_same = count - 1 == pairing->offer_bytes &&
                  memcmp(pairing->offer, body + 1, pairing->offer_bytes) == 0;
    if (pairing->phase == PHASE_ANSWERED && is_same) say(pairing, STEP_ANSWER);
    return;
  }
  uint8_t reason = refusal_of(pairing, address, *way);
  if (reason) {
    answer_abort(pairing, address, body + 1, reason);
    return;
  }
  /* It says more than we know of, and than we have room for. */
  if (count - 1 > FARDEL_PAIRING_BODY_BYTES_MAX) return;
  if (pairing->phase == PHASE_KEPT) fdl_forget_exchange(pairing, FARDEL_PAIRED);
  pairing->offer_bytes = (uint8_t)(count - 1);
  memcpy(pairing->offer, body + 1, pairing->offer_bytes);
  begin(pairing, address, *way);
}

/* ---- PROOF */

/* The key is stored before the other side learns that it may use it. @returns 0, or less */
static int keep(fardel_pairing *pairing) {
  const fardel_pairing_config *config = pairing->config;
  fardel_partner partner = partner_of(pairing);
  fardel_pair_key key;
  int result = fdl_pair_key(pairing, &key);
  if (result >= 0) result = config->keep(config->context, &partner, &key);
  fdl_wipe(&key, sizeof key);
  if (result < 0) {
    fdl_abort_exchange(pairing, FARDEL_PAIRING_CANCELLED);
    return result;
  }
  pairing->phase = PHASE_CHECKED;
  note_step(pairing);
  return 0;
}

/* Of the way code. @returns 0; less: it is not stored */
static int count_wrong_proofs(fardel_pairing *pairing, uint8_t count) {
  const fardel_pairing_config *config = pairing->config;
  if (pairing->way != CODE) return 0;
  pairing->wrong_proofs = count;
  return config->keep_wrong_proofs(config->context, count);
}

/* After too many wrong proofs there may be nothing left to wait for. */
static void end_mode_without_ways(fardel_pairing *pairing) {
  const fardel_pairing_config *config = pairing->config;
  if (!fardel_pairing_is_open(pairing) || fdl_ways_open(pairing) & pairing->ways) return;
  fdl_pairing_disarm(pairing, T_MODE);
  if (config->ended) config->ended(config->context, NULL, FARDEL_PAIRING_WAY_CLOSED);
}

static void take_first_proof(fardel_pairing *pairing, const uint8_t *proof) {
  const fardel_pairing_config *config = pairing->config;
  /* As a wrong one, and stored, before it is looked at: cutting the power gives no guess away. */
  if (count_wrong_proofs(pairing, (uint8_t)(pairing->wrong_proofs + 1)) < 0) {
    fdl_abort_exchange(pairing, FARDEL_PAIRING_CANCELLED);
    return;
  }
  if (fdl_prove(pairing, proof) < 0) {
    fdl_abort_exchange(pairing, FARDEL_PAIRING_WRONG_PROOF);
    end_mode_without_ways(pairing);
    return;
  }
  count_wrong_proofs(pairing, 0);
  memcpy(pairing->proof, proof, fdl_proof_bytes(pairing->way));
  if (pairing->way != COMPARE) {
    if (keep(pairing) >= 0) say(pairing, STEP_CHECK);
    return;
  }
  fardel_partner partner = partner_of(pairing);
  pairing->phase = PHASE_ASKING;
  note_step(pairing);
  say(pairing, STEP_WAIT);
  config->show(config->context, &partner, fdl_short_code(pairing));
}

static void take_proof(fardel_pairing *pairing, const uint8_t *proof) {
  if (pairing->phase == PHASE_ANSWERED) {
    take_first_proof(pairing, proof);
  } else if (pairing->phase != PHASE_KEPT) {
    /* Another one than the first: from somebody else, since the exchange is no secret. */
    if (!fdl_is_equal(proof, pairing->proof, fdl_proof_bytes(pairing->way))) return;
    /* A person may take as long as pairing mode is open. */
    if (fardel_pairing_is_open(pairing)) note_step(pairing);
    if (pairing->phase == PHASE_ACCEPTED && keep(pairing) < 0) return;
    say(pairing, pairing->phase == PHASE_ASKING ? STEP_WAIT : STEP_CHECK);
  }
}

void fardel_pairing_accept(fardel_pairing *pairing, int is_same, uint32_t now_us) {
  pairing->now_us = now_us;
  if (pairing->phase != PHASE_ASKING) return;
  /* The other side asks again: only then is the key stored, if its person has not refused meanwhile. */
  if (is_same) pairing->phase = PHASE_ACCEPTED;
  else fdl_abort_exchange(pairing, FARDEL_PAIRING_REFUSED);
}

/* ---- KEPT */

/* The other side uses the key. */
static void come_to_end(fardel_pairing *pairing) {
  const fardel_pairing_config *config = pairing->config;
  fardel_partner partner = partner_of(pairing);
  pairing->phase = PHASE_KEPT;
  note_step(pairing);
  if (pairing->way != RENEW) fdl_pairing_disarm(pairing, T_MODE);
  if (config->ended) config->ended(config->context, &partner, FARDEL_PAIRED);
}

static void take_kept(fardel_pairing *pairing, const uint8_t *tag) {
  const fardel_pairing_config *config = pairing->config;
  uint8_t right[FARDEL_DIGEST_BYTES];
  fardel_pair_key key;
  if (pairing->phase != PHASE_CHECKED && pairing->phase != PHASE_KEPT) return;
  if (fdl_tag(pairing, STEP_KEPT, right) < 0 || !fdl_is_equal(tag, right, PAIR_TAG_BYTES)) return;
  if (pairing->phase == PHASE_CHECKED) {
    if (fdl_pair_key(pairing, &key) < 0) return;
    /* Before: the application may take this for the word of the endpoint. */
    pairing->phase = PHASE_KEPT;
    config->right(config->context, pairing->partner, &key);
    fdl_wipe(&key, sizeof key);
    come_to_end(pairing);
  }
  if (fdl_tag(pairing, STEP_DONE, pairing->check) >= 0) say(pairing, STEP_DONE);
}

void fardel_pairing_right(fardel_pairing *pairing, const uint8_t *address,
                          const fardel_pair_key *key, uint32_t now_us) {
  fardel_pair_key own;
  pairing->now_us = now_us;
  if (pairing->phase != PHASE_CHECKED) return;
  if (memcmp(address, pairing->partner, FARDEL_ADDRESS_BYTES) != 0) return;
  int is_own = fdl_pair_key(pairing, &own) >= 0 && fdl_is_equal(own.bytes, key->bytes, sizeof own.bytes);
  fdl_wipe(&own, sizeof own);
  if (is_own) come_to_end(pairing);
}

/* ---- */

static void take_abort(fardel_pairing *pairing, uint8_t reason) {
  if (pairing->phase == PHASE_NONE || pairing->phase == PHASE_KEPT) return;
  if (reason < FARDEL_PAIRING_CLOSED || reason > FARDEL_PAIRING_UNKNOWN)
    reason = FARDEL_PAIRING_CANCELLED;
  fdl_forget_exchange(pairing, reason);
}

void fdl_pair(fardel_pairing *pairing, const uint8_t *address, const uint8_t *body,
              uint16_t count) {
  if (count < HEAD_BYTES) return;
  uint8_t step = body[0];
  const uint8_t *fields = body + HEAD_BYTES;
  uint16_t field_bytes = (uint16_t)(count - HEAD_BYTES);
  /* The one that is under way, or was the last. */
  int is_this = pairing->offer_bytes > 0 && pairing->exchange == fdl_get_u32(body + 1) &&
                memcmp(address, pairing->partner, FARDEL_ADDRESS_BYTES) == 0;
  int is_over = pairing->phase == PHASE_NONE;
  if (step == STEP_OFFER) {
    take_offer(pairing, address, is_this, body, count);
  } else if (step == STEP_PROOF || step == STEP_KEPT) {
    if (field_bytes < PAIR_TAG_BYTES) return;
    if (!is_this) answer_abort(pairing, address, body + 1, FARDEL_PAIRING_UNKNOWN);
    else if (is_over) answer_abort(pairing, address, body + 1, pairing->last_reason);
    else if (step == STEP_KEPT) take_kept(pairing, fields);
    else if (field_bytes >= fdl_proof_bytes(pairing->way)) take_proof(pairing, fields);
  } else if (step == STEP_ABORT && is_this && field_bytes >= 1) {
    take_abort(pairing, fields[0]);
  }
}
