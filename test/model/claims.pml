/*
 * Two sides that open at once, and openings that somebody else sent: stale ones of an earlier
 * incarnation of either side, or forged ones, at any moment, twice each.
 * PROTOCOL.md: 4.2 (a token is a claim until it names ours), 4.3, 4.4, 4.5. README.md beside this file
 * names the section of each part and the bounds.
 *
 * Each side has one small message, which goes out with its opening and with every datagram until it is
 * acknowledged. Nobody restarts. If one side opens (ONE_SIDED), no session may be lost, whatever somebody
 * else sends. If both open at once and somebody else's opening comes between, one may be: its message is then
 * reported as "peer restarted", and the other one goes on.
 */

#ifndef LOSSES
#define LOSSES 1
#endif
#ifndef REORDERS
#define REORDERS 1
#endif
#ifndef STALE
#define STALE 1         /* openings of somebody else, for each side */
#endif
#ifndef AGAIN
#define AGAIN 1         /* second arrivals of such an opening */
#endif
#ifndef DEPTH
#define DEPTH 2
#endif
#ifdef PATIENT          /* for delivery: what has come is looked at before anything is sent again */
#define IS_TIME empty(way[me])
#else
#define IS_TIME true
#endif
#ifdef ANY_NUMBER
#define ANY true
#else
#define ANY false
#endif
#define TOKENS 20

mtype = { OPENING, LONG, NO_SESSION };

/* kind, token from, token to, whether it acknowledges the other side's message, and carries its own */
chan way[2] = [DEPTH] of { mtype, byte, byte, bool, bool };

byte losses = LOSSES, reorders = REORDERS;
byte drawn = 0;

typedef Side {
  byte token;
  byte peer;            /* 0: unknown */
  bool isOpen;          /* the peer has named our token */
  bool isAcked;         /* our message */
  bool hasGot;          /* the peer's message, in this session */
  bool isOpener;
  byte candidate;
  byte candidatePeer;
  byte ended[4];        /* tokens of ended, replaced and refuted sessions */
  byte stale;           /* token of the opening that somebody else sent, 0: none yet */
  byte stales;
  byte again
}
Side side[2];
bool delivered[TOKENS * 2];     /* ghost: this token's message has arrived at this side */

inline draw(fresh) { drawn++; assert(drawn < TOKENS); fresh = drawn }

/* What leaves may be lost; what finds no room is sent again later. */
inline put(where, what, source, target, acking, carrying) {
  if
  :: nfull(way[where]) -> way[where]!what(source, target, acking, carrying)
  :: full(way[where]) -> skip
  :: losses > 0 -> losses--
  fi
}

#define hasEnded(me, who) (who == side[me].ended[0] || who == side[me].ended[1] || who == side[me].ended[2] || who == side[me].ended[3])

inline remember(me, who) {
#ifndef NO_MEMORY       /* wrong variant: a refuted token may open again */
  side[me].ended[3] = side[me].ended[2];
  side[me].ended[2] = side[me].ended[1];
  side[me].ended[1] = side[me].ended[0];
  side[me].ended[0] = who
#else
  skip
#endif
}

inline deliver(me, who) {
  assert(!delivered[who * 2 + me]);     /* promise 2: once */
  delivered[who * 2 + me] = true;
  side[me].hasGot = true
}

/* One session with one token of the peer: a candidate with the same is dropped. */
inline adopt(me, who) {
  side[me].peer = who; side[me].hasGot = false;
#ifndef BOTH            /* wrong variant: it is kept */
  if
  :: side[me].candidatePeer == who -> side[me].candidate = 0; side[me].candidatePeer = 0
  :: else -> skip
  fi
#endif
}

inline answer(me, tells) {
  put(1 - me, LONG, side[me].token, side[me].peer, tells, !side[me].isAcked)
}

/* A datagram from `from` to our token, from the session's peer. */
/* The session is over: what was under way is reported (10). */
inline lose(me, fresh) {
#ifdef ONE_SIDED
  assert(side[me].isAcked);
#endif
  if
  :: side[me].peer != 0 -> remember(me, side[me].peer)
  :: else -> skip
  fi;
  side[me].isAcked = true; side[me].isOpener = false; side[me].peer = 0; side[me].isOpen = false; side[me].hasGot = false;
  draw(fresh); side[me].token = fresh; fresh = 0
}

inline take(me, source, acking, carrying) {
  side[me].isOpen = true;
  if
  :: acking -> side[me].isAcked = true
  :: else -> skip
  fi;
  if
  :: carrying && !side[me].hasGot -> deliver(me, source); answer(me, true)
  :: carrying && side[me].hasGot -> answer(me, true)
  :: else -> skip
  fi
}

proctype Run(byte me) {
  mtype kind; byte from, to; bool acks, carries; byte fresh;
end_Run:
  do
  /* it sends, or sends again, as long as its message is not acknowledged */
  :: atomic { !side[me].isAcked && side[me].peer == 0 && nfull(way[1 - me]) && IS_TIME ->
       put(1 - me, OPENING, side[me].token, 0, false, true) }
  :: atomic { !side[me].isAcked && side[me].peer != 0 && nfull(way[1 - me]) && IS_TIME ->
       answer(me, side[me].hasGot) }
  /* an opening that the other side has not sent in this session */
  :: atomic { side[me].stales > 0 ->
       side[me].stales--; draw(fresh); side[me].stale = fresh; kind = OPENING; from = fresh; fresh = 0; goto opening }
  :: atomic { side[me].again > 0 && side[me].stale != 0 ->
       side[me].again--; kind = OPENING; from = side[me].stale; goto opening }
  :: atomic { way[me]?kind, from, to, acks, carries ->
       if
       :: kind == OPENING ->
opening:   if
           :: hasEnded(me, from) -> put(1 - me, NO_SESSION, to, from, false, false)              /* 4.4 */
           :: !hasEnded(me, from) && side[me].peer == 0 &&
              !(side[me].isOpener && side[me].candidatePeer == from) ->                  /* 4.3: a claim */
                if                                     /* 4.4: without a session of its own it goes on with the candidate */
                :: !side[me].isOpener && side[me].candidatePeer == from -> side[me].token = side[me].candidate
                :: else -> skip
                fi;
                adopt(me, from); deliver(me, from); answer(me, true)
           :: !hasEnded(me, from) && side[me].peer == from -> answer(me, side[me].hasGot)
           :: else ->                                                                    /* 4.4: a candidate */
                if
                :: side[me].candidatePeer != from -> draw(fresh); side[me].candidate = fresh; side[me].candidatePeer = from; fresh = 0
                :: else -> skip
                fi;
                put(1 - me, LONG, side[me].candidate, from, false, false)
           fi
       :: kind == LONG && to == side[me].token ->
           if
           :: from == side[me].peer -> take(me, from, acks, carries)
           :: from != side[me].peer && !side[me].isOpen && !hasEnded(me, from) ->        /* 4.2 */
                if
                :: side[me].peer != 0 -> remember(me, side[me].peer)
                :: else -> skip
                fi;
                adopt(me, from); take(me, from, acks, carries)
           :: from != side[me].peer && !side[me].isOpen && hasEnded(me, from) ->
                put(1 - me, NO_SESSION, to, from, false, false); lose(me, fresh)                 /* 4.4 */
           :: from != side[me].peer && side[me].isOpen -> answer(me, side[me].hasGot)    /* 4.4: we ask */
           fi
       :: kind == LONG && to != side[me].token && side[me].candidate != 0 && to == side[me].candidate && from == side[me].candidatePeer ->
           lose(me, fresh);                     /* 4.4: the echo */
           side[me].token = to; side[me].peer = from;
           side[me].candidate = 0; side[me].candidatePeer = 0;
           take(me, from, acks, carries)
       :: kind == LONG && to != side[me].token && !(side[me].candidate != 0 && to == side[me].candidate && from == side[me].candidatePeer) ->
           put(1 - me, NO_SESSION, to, from, false, false)
       :: kind == NO_SESSION && to == side[me].token ->
           if
#ifndef ANY_NUMBER      /* wrong variant: it does not matter which datagram it answers */
           :: from != side[me].peer -> skip             /* 4.4: that one went to another token */
#endif
           :: from == side[me].peer || ANY ->
                if
                :: side[me].isOpen || !side[me].isOpener || side[me].peer == 0 -> lose(me, fresh)
                :: !side[me].isOpen && side[me].isOpener && side[me].peer != 0 ->                /* 4.4: refuted */
                     remember(me, side[me].peer);
                     side[me].peer = 0; side[me].hasGot = false
                fi
           fi
       :: kind == NO_SESSION && to != side[me].token -> skip
       fi;
       kind = 0; from = 0; to = 0; acks = false; carries = false; fresh = 0 }
  od
}

/* Reordering: what is first may go behind the others at any time. */
active proctype Air() {
  mtype kind; byte from, to; bool acks, carries;
end_Air:
  do
  :: atomic { reorders > 0 && len(way[0]) > 1 -> reorders--; way[0]?kind, from, to, acks, carries; way[0]!kind(from, to, acks, carries);
       kind = 0; from = 0; to = 0; acks = false; carries = false }
  :: atomic { reorders > 0 && len(way[1]) > 1 -> reorders--; way[1]?kind, from, to, acks, carries; way[1]!kind(from, to, acks, carries);
       kind = 0; from = 0; to = 0; acks = false; carries = false }
  od
}

init {
  atomic {
    draw(side[0].token); draw(side[1].token);
    side[0].stales = STALE; side[0].again = AGAIN; side[1].stales = STALE; side[1].again = AGAIN;
#ifdef ONE_SIDED
    side[1].isAcked = true;
#else
    side[1].isOpener = true;
#endif
    side[0].isOpener = true;
    run Run(0); run Run(1)
  }
}

ltl delivered_both { <> (side[0].isAcked && side[1].isAcked) }
