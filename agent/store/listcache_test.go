package store

import (
	"fmt"
	"testing"
)

// The cache must stay within its bound whatever is asked for, and give back
// what was put last.
func TestListCacheIsBounded(t *testing.T) {
	var c listCache
	list := make([]byte, 10_000)
	for i := range 1000 {
		c.put(fmt.Appendf(nil, "key%d", i), list, 0)
		if held := len(c.lists) * len(list); held > listCacheBytes || held != c.bytes {
			t.Fatalf("after %d lists %d bytes are held, %d counted, want at most %d", i+1, held, c.bytes, listCacheBytes)
		}
	}
	if c.get([]byte("key999")) == nil || c.get([]byte("key0")) != nil {
		t.Error("want the last list kept and the first one gone")
	}
	c.put([]byte("large"), make([]byte, listCacheBytes), 0)
	if c.get([]byte("large")) != nil || c.get([]byte("key999")) == nil {
		t.Error("a list as large as the cache drove out the others")
	}
	c.drop()
	if c.get([]byte("key999")) != nil || c.bytes != 0 {
		t.Error("dropped lists are still there")
	}
	c.put([]byte("late"), list, 0)
	if c.get([]byte("late")) != nil {
		t.Error("a list that was read before the drop was kept after it")
	}
}
