package ledger

import (
	"bytes"
	"crypto/sha256"
	"fmt"
)

// Chain follows the hash chain through the stored bytes of entries and says
// where it does not hold. The zero Chain stands before the first entry.
type Chain struct {
	cursor uint64
	hash   Hash
	// Set after a hole or an unreadable entry: the hash of the one before is not
	// known.
	lost bool
}

// Last returns the cursor of the last entry seen and its hash.
func (c *Chain) Last() (uint64, Hash) { return c.cursor, c.hash }

// Fault is one thing that is wrong with the ledger.
type Fault struct {
	// Cursor of the entry that is wrong, or of the first that is missing.
	Cursor uint64
	Text   string
}

func (f Fault) Error() string { return f.Text }

// Add takes the entry at a position of the store and returns what is wrong with
// it, or with the one before.
func (c *Chain) Add(position uint64, stored []byte) []Fault {
	o, err := outlineOf(stored)
	return c.add(position, stored, o, err)
}

// add is Add for an entry whose outline has been read, or could not be.
func (c *Chain) add(position uint64, stored []byte, o outline, err error) []Fault {
	var faults []Fault
	add := func(cursor uint64, format string, args ...any) {
		faults = append(faults, Fault{cursor, fmt.Sprintf(format, args...)})
	}
	want := c.cursor + 1
	switch {
	case position > want:
		add(want, "%s missing", entries(want, position-1))
		c.lost = true
	case position < want:
		add(position, "entry %d comes after entry %d: out of order", position, c.cursor)
		c.lost = true
	}
	switch {
	case err != nil:
		add(position, "entry %d cannot be read: %v", position, err)
	case o.cursor != position:
		add(position, "entry %d says that it is entry %d: out of order", position, o.cursor)
	case len(o.previous) != sha256.Size:
		add(position, "entry %d holds %d bytes as the hash of the entry before, not %d: changed", position, len(o.previous), sha256.Size)
	case !c.lost && !bytes.Equal(o.previous, c.hash[:]):
		add(c.cursor, "entry %d does not have the hash that entry %d gives for it: one of the two was changed, or put in another's place", c.cursor, position)
	}
	c.cursor, c.hash, c.lost = position, sha256.Sum256(stored), err != nil
	return faults
}

// End compares where the chain ended with where the ledger is known to have
// been.
func (c *Chain) End(known Head) []Fault {
	switch {
	case c.cursor < known.Cursor:
		return []Fault{{c.cursor + 1, entries(c.cursor+1, known.Cursor) + " missing: the ledger ended there when it was last written"}}
	case c.cursor == known.Cursor && c.cursor > 0 && c.hash != known.Hash:
		return []Fault{{c.cursor, fmt.Sprintf("entry %d, the last, does not have the hash that was noted when it was written: changed", c.cursor)}}
	}
	return nil
}

// entries reads "entry 7 is" or "entries 7 to 9 are".
func entries(first, last uint64) string {
	if first == last {
		return fmt.Sprintf("entry %d is", first)
	}
	return fmt.Sprintf("entries %d to %d are", first, last)
}
