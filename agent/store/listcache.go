package store

import "sync"

// listCacheBytes bounds the decoded lists of pieces that are kept: the last
// week of a machine and its system takes about 1.5 MB. The page asks for the
// same days again and again.
const listCacheBytes = 3 << 20

// listCache keeps lists that were decoded, by their key in the database. A
// sealed list never changes; drop is for where all are made again.
type listCache struct {
	mu    sync.Mutex // the fields below
	lists map[string][]byte
	order []string // the oldest first
	bytes int
	age   uint64 // how often all were made again
}

// now is to be asked before a list is read, and given to put with it.
func (c *listCache) now() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.age
}

// get returns a list that must not be changed, or nil.
func (c *listCache) get(key []byte) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.lists[string(key)]
}

// put keeps a list, and lets the oldest go that do not fit beside it. One that
// was read before all were made again is not kept.
func (c *listCache) put(key, list []byte, age uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if age != c.age || len(list) > listCacheBytes/8 || c.lists[string(key)] != nil {
		return
	}
	if c.lists == nil {
		c.lists = map[string][]byte{}
	}
	name := string(key)
	c.lists[name], c.order, c.bytes = list, append(c.order, name), c.bytes+len(list)
	for c.bytes > listCacheBytes {
		c.bytes -= len(c.lists[c.order[0]])
		delete(c.lists, c.order[0])
		c.order = c.order[1:]
	}
}

func (c *listCache) drop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lists, c.order, c.bytes = nil, nil, 0
	c.age++
}
