package door

import (
	"errors"
	"fmt"
	"testing"
	"time"
)

// An attacker who tries without pause gets few tries, from one address or from
// many; who was right before, and who sits at the computer, is not held up.
func TestBruteForce(t *testing.T) {
	c := newClock()
	d, e := openTest(t, c)
	mustSignIn(t, d, "R. Vale", goodPassword, network2)

	// One address, a day, a try a second, against the limiter alone: the hash of
	// each would make this a day indeed.
	let := 0
	for range 24 * 3600 {
		if _, err := d.begin("R. Vale", network1); err == nil {
			let++
		}
		c.pass(time.Second)
	}
	// 5 free, then waits of 2, 4 … 512 s, then one each quarter of an hour.
	if most := freeTries + 10 + 24*4; let > most || let < 24*4 {
		t.Errorf("%d tries in a day from one address, want at most %d, at least one each 15 min", let, most)
	}
	// A thousand addresses do not get more under one name, and no more than one a
	// second under all names.
	let = 0
	for i := range 3600 {
		if _, err := d.begin("R. Vale", Origin{Address: fmt.Sprintf("198.51.%d.%d", i/250%4, i%250)}); err == nil {
			let++
		}
		c.pass(time.Second)
	}
	if let > 20 {
		t.Errorf("%d tries in an hour under one name from a thousand addresses", let)
	}
	// Nor does one address under a thousand names.
	let = 0
	for i := range 3600 {
		if _, err := d.begin(fmt.Sprintf("guess %d", i), Origin{Address: "192.0.2.99"}); err == nil {
			let++
		}
		c.pass(time.Second)
	}
	if let > 20 {
		t.Errorf("%d tries in an hour under a thousand names from one address", let)
	}
	let = 0
	for i := range 10 * 3600 {
		if _, err := d.begin(fmt.Sprintf("name %d", i), Origin{Address: fmt.Sprintf("198.51.%d.%d", i/250%250, i%250)}); err == nil {
			let++
		}
		c.pass(time.Second / 10)
	}
	if let > 3600+2*bucketSize {
		t.Errorf("%d tries in an hour under all names from all addresses", let)
	}
	for i := range 2 { // what the last tenth of a second may have left
		_, _ = d.begin(fmt.Sprintf("another %d", i), Origin{Address: fmt.Sprintf("203.0.113.%d", i)})
	}
	if _, err := d.SignIn(t.Context(), "R. Vale", goodPassword, Origin{Address: "192.0.2.77"}); !isLimited(err) {
		t.Errorf("the right password at a place never seen, in the thick of it: %v, want a wait", err)
	}
	mustSignIn(t, d, "R. Vale", goodPassword, network2)
	mustSignIn(t, d, "R. Vale", goodPassword, here)
	c.pass(longestWait)
	mustSignIn(t, d, "R. Vale", goodPassword, Origin{Address: "192.0.2.77"})
	limited := 0
	for _, data := range e.all {
		if data["action"] == "limited" {
			limited++
			if data["person"] == "" && data["from"] == "" {
				t.Errorf("an event names nothing: %v", data)
			}
		}
	}
	if limited < 1 || limited > 29 {
		t.Errorf("%d events in 27 hours, want one an hour at most", limited)
	}
	if n := len(d.attempts.names) + len(d.attempts.addresses); n > 2*mostTried {
		t.Errorf("%d entries are kept in mind", n)
	}
}

// Where the right person was before, wrong tries are limited as well: another may
// sit there.
func TestKnownPlaceIsLimited(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	for _, from := range []Origin{here, network1} {
		mustSignIn(t, d, "R. Vale", goodPassword, from)
		let := 0
		for range 100 {
			if _, err := d.begin("R. Vale", from); err == nil {
				let++
			}
		}
		if let != freeTries+1 {
			t.Errorf("%d tries at once from %s, want %d", let, from.Address, freeTries+1)
		}
		c.pass(longestWait)
		mustSignIn(t, d, "R. Vale", goodPassword, from)
		if _, err := d.begin("R. Vale", from); err != nil {
			t.Errorf("after the right password: %v", err)
		}
	}
}

// Many tries at the same time are as many as in turn.
func TestTriesAtOnceCount(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	results := make(chan error, 40)
	for range cap(results) {
		go func() {
			_, err := d.begin("R. Vale", network1)
			results <- err
		}()
	}
	let := 0
	for range cap(results) {
		if err := <-results; err == nil {
			let++
		} else if !isLimited(err) {
			t.Error(err)
		}
	}
	if let != freeTries+1 {
		t.Errorf("%d of 40 at once were let through, want %d", let, freeTries+1)
	}
}

// One who has an IPv6 network has all its addresses.
func TestAddressesOfANetworkCountAsOne(t *testing.T) {
	for a, b := range map[string]string{
		"2001:db8:1:2::1": "2001:db8:1:2:ffff::9", "::ffff:192.0.2.1": "192.0.2.1", "fe80::1%eth0": "fe80::2%eth1",
	} {
		if network(a) != network(b) {
			t.Errorf("%s counts as %s, %s as %s", a, network(a), b, network(b))
		}
	}
	if network("2001:db8:1:2::1") == network("2001:db8:1:3::1") || network("192.0.2.1") == network("192.0.2.2") {
		t.Error("two networks count as one")
	}
}

// A name that nobody has is answered as a wrong password is, and costs the same
// work: one hash with our parameters.
func TestUnknownNameIsAsAWrongPassword(t *testing.T) {
	d, _ := openTest(t, newClock())
	_, known := d.SignIn(t.Context(), "R. Vale", otherPassword, network1)
	_, unknown := d.SignIn(t.Context(), "N. Obody", otherPassword, network1)
	if !errors.Is(known, ErrWrongPair) || !errors.Is(unknown, ErrWrongPair) || known.Error() != unknown.Error() {
		t.Errorf("a known name: %v; an unknown: %v", known, unknown)
	}
	if nobodys().parameters != d.people.People[0].hash.parameters {
		t.Errorf("work for nobody %+v, for a person %+v", nobodys().parameters, d.people.People[0].hash.parameters)
	}
}

// Names that sign in as one count as one: "ſ" is an "s" to who looks for the
// person, and would be another name to who counts.
func TestSpellingsOfANameCountAsOne(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	if err := d.AddOrChange(t.Context(), "a test", "Jess Moss", Look, otherPassword); err != nil {
		t.Fatal(err)
	}
	let := 0
	for i := range 64 {
		name := []rune("jess moss")
		for bit, at := range []int{2, 3, 7, 8} {
			if i>>bit&1 == 1 {
				name[at] = 'ſ'
			}
		}
		if !d.knows(string(name)) {
			t.Fatalf("%q is somebody else: this test holds nothing", string(name))
		}
		if _, err := d.begin(string(name), Origin{Address: fmt.Sprintf("198.51.100.%d", i)}); err == nil {
			let++
		}
	}
	if let > freeTries+1 {
		t.Errorf("%d tries under one name in 16 spellings", let)
	}
}

// Who signs in from a place where they did before is held up by none of the same
// network, gains no tries for others, and who must wait takes none of the tries of all.
func TestPlacesAndTheBucket(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	mine := Origin{Address: "2001:db8::1"}
	mustSignIn(t, d, "R. Vale", goodPassword, mine)
	left := func() int {
		d.attempts.mu.Lock()
		defer d.attempts.mu.Unlock()
		return d.attempts.buckets[0].left
	}
	for i := range 30 { // a neighbour in the same /64, until all of it must wait
		_, _ = d.begin(fmt.Sprintf("guess %d", i), Origin{Address: "2001:db8::2"})
	}
	if _, err := d.begin("R. Vale", Origin{Address: "2001:db8::3"}); !isLimited(err) {
		t.Fatalf("the network does not wait (%v): this test holds nothing", err)
	}
	before := left()
	if before < bucketSize-freeTries-2 {
		t.Errorf("tries that were refused took %d of the bucket", bucketSize-before)
	}
	mustSignIn(t, d, "R. Vale", goodPassword, mine)
	if got := left(); got != before {
		t.Errorf("signing in from a known place makes %d tries of %d", got, before)
	}
}

// Who knows the old password cannot keep the way in by a change that was begun
// before somebody gave the person a new one.
func TestChangeOfAPasswordThatWasReplaced(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	token := mustSignIn(t, d, "R. Vale", goodPassword, network1)
	who, _ := d.Use(token)
	c.pass(time.Second)
	d.writing.Lock() // the thief's change waits here, its old password checked
	ended := make(chan error, 1)
	go func() {
		_, err := d.ChangePassword(t.Context(), who, goodPassword, "the thief's own words", network1)
		ended <- err
	}()
	end := time.Now().Add(time.Minute)
	for checked := false; !checked; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the old password is not checked")
		}
		d.attempts.mu.Lock()
		checked = d.attempts.places[place{folded("R. Vale"), network1.Address}].Equal(c.Now())
		d.attempts.mu.Unlock()
	}
	kept, err := d.hashing.make(t.Context(), otherPassword)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.change("x", nil, func(p *people, now time.Time) error { return p.put("R. Vale", "", kept, now) }); err != nil {
		t.Fatal(err)
	}
	d.writing.Unlock()
	if err := <-ended; !isField(err, "old") {
		t.Errorf("the change of before is answered %v", err)
	}
	mustSignIn(t, d, "R. Vale", otherPassword, network1)
}

// A wait is told in whole units, never shorter than it is.
func TestWaitInWords(t *testing.T) {
	for after, want := range map[time.Duration]string{
		0: "1 s", 1200 * time.Millisecond: "2 s", 32 * time.Second: "32 s", time.Minute: "1 min", 61 * time.Second: "2 min", longestWait: "15 min",
	} {
		if got := (&LimitedError{after}).Error(); got != "too many attempts: try again in "+want {
			t.Errorf("%v: %q", after, got)
		}
	}
}
