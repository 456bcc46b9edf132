/* Who is known, and who makes room; PROTOCOL.md, section 11. */
#include "internal.h"

fardel_peer *fdl_find_peer(const fardel_endpoint *endpoint, const uint8_t *address) {
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
    fardel_peer *each = &endpoint->peers[i];
    if (each->is_used && memcmp(each->address, address, FARDEL_ADDRESS_BYTES) == 0) return each;
  }
  return NULL;
}

/* Whether nothing is under way to it or from it. */
static int is_idle(const fardel_peer *peer) {
  return !peer->queue && !peer->session.has_loose && !fdl_is_busy(&peer->session) &&
         !fdl_holds_part(&peer->session);
}

/*
 * Makes room where nothing is held. No message ends here, where one that ends may be what wants the room:
 * those of a stranger end with the next fardel_poll().
 */
void fdl_drop(fardel_peer *peer) {
  fardel_endpoint *endpoint = peer->endpoint;
  fardel_message **at = &endpoint->dropped;
  /* Whoever sends to this address from now on means another peer. */
  peer->is_used = 0;
  if (peer->session.phase == PHASE_OPEN) fdl_tell_session(peer, FARDEL_ENDED, FARDEL_CANCELLED);
  for (uint8_t i = 0; i < FARDEL_LINK_DEPTH_MAX; i++) {
    if (endpoint->tickets[i].peer != place_of(peer) + 1) continue;
    endpoint->tickets[i].token = 0;
    endpoint->tickets[i].loose = NULL;
  }
  while (*at) at = &(*at)->next;
  *at = peer->queue;
  memset(peer, 0, sizeof *peer);
}

/* Room for a newcomer: strangers go first, then whoever was heard longest ago and has nothing to do. */
fardel_peer *fdl_admit(fardel_endpoint *endpoint, const uint8_t *address) {
  fardel_peer *best = NULL;
  for (uint8_t i = 0; i < peers_of(endpoint); i++) {
    fardel_peer *each = &endpoint->peers[i];
    if (each->is_held || (each->is_known && !is_idle(each))) continue;
    if (!each->is_used) {
      best = each;
      break;
    }
    int is_better = !best || each->is_known < best->is_known ||
                    (each->is_known == best->is_known && (int32_t)(each->turn - best->turn) < 0);
    if (is_better) best = each;
  }
  if (!best) return NULL;
  if (best->is_used) {
    fdl_drop(best);
    /* The application may have sent to this very address when it was told. */
    fardel_peer *admitted = fdl_find_peer(endpoint, address);
    if (admitted) return admitted;
  }
  best->endpoint = endpoint;
  fdl_clear_session(best);
  best->is_used = 1;
  best->turn = ++endpoint->turn;
  memcpy(best->address, address, FARDEL_ADDRESS_BYTES);
  return best;
}
