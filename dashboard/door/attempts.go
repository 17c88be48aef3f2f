package door

import (
	"net/netip"
	"strings"
	"sync"
	"time"
	"unicode"
)

const (
	freeTries   = 5                // wrong ones before the first wait
	longestWait = 15 * time.Minute // so that nobody is locked out for good
	forgetAfter = 24 * time.Hour
	mostTried   = 4096 // names, and addresses, that are kept in mind
	mostPlaces  = 1024
	placeLife   = 90 * 24 * time.Hour
	// Of all attempts that are not known to be the right person's, so many at
	// once, and one more each bucketEvery.
	bucketSize  = 60
	bucketEvery = time.Second
	// tellEvery is how often at most an event says that attempts are limited.
	tellEvery = time.Hour
)

// tried is what went wrong under one name, or from one address.
type tried struct {
	wrong int
	last  time.Time
	until time.Time
}

// count notes a wrong attempt.
func (t *tried) count(now time.Time) {
	t.wrong++
	t.last = now
	if over := t.wrong - freeTries; over > 0 {
		t.until = now.Add(min(longestWait, time.Second<<min(over, 20)))
	}
}

// place is a person at an address, who was right there before.
type place struct{ name, address string }

// attempts limits tries to sign in. What comes from this computer, and from a
// proxy on it, counts apart from what comes over the network, lest strangers
// hold up who sits at it.
type attempts struct {
	mu        sync.Mutex // protects what follows
	names     map[string]*tried
	addresses map[string]*tried
	places    map[place]time.Time
	buckets   [2]bucket // network, this computer
	told      time.Time
}

// bucket holds what is left of the attempts of all.
type bucket struct {
	left int
	at   time.Time
}

func newAttempts() *attempts {
	return &attempts{
		names: map[string]*tried{}, addresses: map[string]*tried{}, places: map[place]time.Time{},
		buckets: [2]bucket{{left: bucketSize}, {left: bucketSize}},
	}
}

// attempt is one that was let through. It counts as wrong until right is called,
// so that many at once are not more than many in turn.
type attempt struct {
	all     *attempts
	name    string // key; empty: not counted by name
	address string // key; empty: of this computer
	place   place
	local   int
	took    bool // one of the bucket
}

// begin lets an attempt through or says how long to wait. from is the address it
// comes from; ours says that it is this computer.
func (a *attempts) begin(now time.Time, name, from string, ours bool) (*attempt, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	t := &attempt{all: a, place: place{folded(name), from}}
	if name != "" {
		t.name = "network " + t.place.name
	}
	if ours {
		t.local = 1
		t.name = "here " + t.place.name
	} else {
		t.address = network(from)
	}
	seen, known := a.places[t.place]
	if known = known && name != "" && now.Sub(seen) < placeLife; known {
		// Strangers elsewhere cannot hold up this one, nor can the others of its network.
		t.name, t.address = "at "+from+" "+t.place.name, ""
	}
	for _, k := range []struct {
		of  map[string]*tried
		key string
	}{{a.names, t.name}, {a.addresses, t.address}} {
		if e := k.of[k.key]; k.key != "" && e != nil && now.Before(e.until) {
			return nil, &LimitedError{e.until.Sub(now)}
		}
	}
	if !known { // last, so that who waits anyway takes none from the others
		if wait := a.buckets[t.local].take(now); wait > 0 {
			return nil, &LimitedError{wait}
		}
		t.took = true
	}
	count(a.names, t.name, now)
	count(a.addresses, t.address, now)
	return t, nil
}

// take takes one of the bucket, or says how long to wait for the next.
func (b *bucket) take(now time.Time) time.Duration {
	if filled := int(now.Sub(b.at) / bucketEvery); filled > 0 {
		b.left = min(bucketSize, b.left+filled)
		b.at = now
	}
	if b.left <= 0 {
		return bucketEvery
	}
	b.left--
	return 0
}

func count(of map[string]*tried, key string, now time.Time) {
	if key == "" {
		return
	}
	t := of[key]
	if t == nil {
		makeRoom(of, now)
		t = &tried{}
		of[key] = t
	}
	if now.Sub(t.last) > forgetAfter {
		t.wrong = 0
	}
	t.count(now)
}

// makeRoom forgets what is long past, or else what was tried longest ago.
func makeRoom(of map[string]*tried, now time.Time) {
	if len(of) < mostTried {
		return
	}
	oldest := ""
	for key, t := range of {
		if now.Sub(t.last) > forgetAfter {
			delete(of, key)
		} else if oldest == "" || t.last.Before(of[oldest].last) {
			oldest = key
		}
	}
	if len(of) >= mostTried {
		delete(of, oldest)
	}
}

// right says that the attempt was the right person's.
func (t *attempt) right(now time.Time) {
	a := t.all
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.names, t.name)
	delete(a.addresses, t.address)
	if t.took {
		a.buckets[t.local].left = min(bucketSize, a.buckets[t.local].left+1)
	}
	if t.place.name == "" {
		return
	}
	if _, known := a.places[t.place]; !known && len(a.places) >= mostPlaces {
		oldest := t.place
		for p, at := range a.places {
			if oldest == t.place || at.Before(a.places[oldest]) {
				oldest = p
			}
		}
		delete(a.places, oldest)
	}
	a.places[t.place] = now
}

// tellNow reports whether it is time to tell of limited attempts.
func (a *attempts) tellNow(now time.Time) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.told.IsZero() && now.Sub(a.told) < tellEvery {
		return false
	}
	a.told = now
	return true
}

// folded is the same for all names that strings.EqualFold takes for one, which
// lower case is not: "ſ" stays, and is an "s" to EqualFold.
func folded(name string) string {
	return strings.Map(func(r rune) rune {
		least := r
		for other := unicode.SimpleFold(r); other != r; other = unicode.SimpleFold(other) {
			least = min(least, other)
		}
		return least
	}, name)
}

// network is what counts as one address: of IPv6 the half that a provider or
// router gives out, since who has one has all of them.
func network(from string) string {
	ip, err := netip.ParseAddr(from)
	if err != nil {
		return from
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is4() {
		return ip.String()
	}
	half, err := ip.Prefix(64)
	if err != nil {
		return ip.String()
	}
	return half.String()
}
