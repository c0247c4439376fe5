package seal

import (
	"crypto/sha256"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// parts are a bundle's, of which nothing has been checked but that it can be read.
type parts struct {
	checkpoint string
	proof      []tlog.Hash
	blocks     []block
	// whole: the last line is the hash of those before.
	whole bool
}

// block is entries that are compressed together.
type block struct {
	first, last uint64
	count       int
	packed      []byte
}

// reader goes through a bundle line by line.
type reader struct {
	rest string
	line int // number of the last line
}

func (r *reader) fail(format string, args ...any) error {
	return &Altered{Where: fmt.Sprintf("line %d", r.line), What: fmt.Sprintf(format, args...)}
}

func (r *reader) next() (string, error) {
	r.line++
	line, rest, ok := strings.Cut(r.rest, "\n")
	if !ok {
		return "", r.fail("the bundle ends in the middle")
	}
	r.rest = rest
	return line, nil
}

// bytes reads so many bytes and the end of their line.
func (r *reader) bytes(n uint64) ([]byte, error) {
	r.line++
	if n >= uint64(len(r.rest)) {
		return nil, r.fail("the bundle ends in the middle: %d bytes are announced, and there are %d", n, len(r.rest))
	}
	if r.rest[n] != '\n' {
		return nil, r.fail("%d bytes are announced, and the line does not end there", n)
	}
	b := []byte(r.rest[:n])
	r.rest = r.rest[n+1:]
	return b, nil
}

// count reads a line of a word and a number of the lines that follow, each of some
// length.
func (r *reader) count(word string) (int, error) {
	line, err := r.next()
	if err != nil {
		return 0, err
	}
	text, ok := strings.CutPrefix(line, word+" ")
	n, good := number(text)
	if !ok || !good || n > uint64(len(r.rest)) {
		return 0, r.fail("%q, and not %q with a number", cut(line), word)
	}
	return int(n), nil
}

// number reads what strconv would write.
func number(text string) (uint64, bool) {
	n, err := strconv.ParseUint(text, 10, 63)
	return n, err == nil && strconv.FormatUint(n, 10) == text
}

// cut keeps what comes from outside short in a message.
func cut(line string) string {
	const most = 80
	if len(line) > most {
		return line[:most] + "…"
	}
	return line
}

func read(bundle []byte) (*parts, error) {
	if len(bundle) > MostBytes {
		return nil, &Altered{Where: "end", What: fmt.Sprintf("the bundle has %d bytes; %d at most", len(bundle), MostBytes)}
	}
	r := &reader{rest: string(bundle)}
	line, err := r.next()
	if err != nil {
		return nil, err
	}
	if line != heading {
		return nil, r.fail("%q, and not %q: it is no bundle, or of another version", cut(line), heading)
	}
	p := &parts{}
	if err := r.checkpoint(p); err != nil {
		return nil, err
	}
	if err := r.proof(p); err != nil {
		return nil, err
	}
	if err := r.entries(p); err != nil {
		return nil, err
	}
	above := bundle[:len(bundle)-len(r.rest)]
	if line, err = r.next(); err != nil {
		return nil, err
	}
	text, ok := strings.CutPrefix(line, "end ")
	hash, good := hexHash(text)
	if !ok || !good || r.rest != "" {
		return nil, r.fail("%q with %d bytes behind it, and not \"end\" with a hash and nothing behind it", cut(line), len(r.rest))
	}
	p.whole = hash == sha256.Sum256(above)
	return p, nil
}

func (r *reader) checkpoint(p *parts) error {
	n, err := r.count("checkpoint")
	if err != nil {
		return err
	}
	var b strings.Builder
	for range n {
		line, err := r.next()
		if err != nil {
			return err
		}
		b.WriteString(line + "\n")
	}
	p.checkpoint = b.String()
	return nil
}

func (r *reader) proof(p *parts) error {
	n, err := r.count("proof")
	if err != nil {
		return err
	}
	for range n {
		line, err := r.next()
		if err != nil {
			return err
		}
		h, err := tlog.ParseHash(line)
		if err != nil || h.String() != line {
			return r.fail("%q is no hash in base64", cut(line))
		}
		p.proof = append(p.proof, h)
	}
	return nil
}

func (r *reader) entries(p *parts) error {
	left, err := r.count("entries")
	if err != nil {
		return err
	}
	if left == 0 {
		return r.fail("the bundle has no entries")
	}
	for left > 0 {
		line, err := r.next()
		if err != nil {
			return err
		}
		words := strings.Split(line, " ")
		if len(words) != 5 || words[0] != "block" {
			return r.fail("%q, and not \"block\" with two cursors and two numbers", cut(line))
		}
		first, okFirst := number(words[1])
		last, okLast := number(words[2])
		n, okCount := number(words[3])
		size, okSize := number(words[4])
		if !okFirst || !okLast || !okCount || !okSize || n < 1 || n > uint64(min(left, blockEntries)) {
			return r.fail("%q, and not two cursors, a number from 1 to %d and a number of bytes", cut(line), min(left, blockEntries))
		}
		b := block{first: first, last: last, count: int(n)}
		if b.packed, err = r.bytes(size); err != nil {
			return err
		}
		p.blocks = append(p.blocks, b)
		left -= int(n)
	}
	return nil
}
