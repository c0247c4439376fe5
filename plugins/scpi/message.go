package scpi

import "bytes"

// longestMessage is the most that is kept of one response message, in bytes. The
// answer to a query of a few values is a hundredth of it.
const longestMessage = 4096

// message is one response message of the instrument, without its end.
type message struct {
	// text as it came; of a message that is too long, its beginning.
	text string
	// block: it began with a block of a length that it stated, whose bytes were
	// skipped.
	block bool
	// tooLong: no end within longestMessage.
	tooLong bool
}

// cutter cuts what an instrument sends into response messages. A message ends with
// a line feed (IEEE 488.2, 8.5, response message terminator; over a socket there is
// no END beside it); a carriage return before it is taken off.
//
// A message that begins with an arbitrary block of definite length (#, the number of
// digits, the length in digits, the bytes; 488.2, 8.7.9) may hold line feeds. Its
// bytes are skipped by their count, so that they are not taken for answers. The
// sections are cited from memory.
type cutter struct {
	text    []byte
	block   bool
	tooLong bool
	// header is the head of a block that has begun: "#", then digits.
	header []byte
	skip   int // bytes of a block that are still to come
}

func (c *cutter) push(chunk []byte, emit func(message)) {
	for len(chunk) > 0 {
		switch {
		case c.skip > 0:
			n := min(c.skip, len(chunk))
			c.skip -= n
			chunk = chunk[n:]
		case len(c.header) > 0:
			if c.head(chunk[0]) {
				chunk = chunk[1:]
			}
		case len(c.text) == 0 && !c.block && chunk[0] == '#':
			c.header = append(c.header, '#')
			chunk = chunk[1:]
		default:
			chunk = c.line(chunk, emit)
		}
	}
}

// head takes the next byte of the head of a block. It tells whether it took it:
// what cannot follow ends the head, which then was none: a number to another base,
// or a block that ends with the message.
func (c *cutter) head(b byte) bool {
	first := len(c.header) == 1
	if b < '0' || b > '9' || first && b == '0' {
		c.endHeader()
		return false
	}
	c.header = append(c.header, b)
	if digits := c.header[1:]; len(digits) == int(digits[0]-'0')+1 {
		for _, d := range digits[1:] {
			c.skip = 10*c.skip + int(d-'0')
		}
		c.block = true
		c.endHeader()
	}
	return true
}

func (c *cutter) endHeader() {
	c.text, c.header = append(c.text, c.header...), nil
}

// line takes bytes up to the end of the message or of the chunk, and returns the
// rest.
func (c *cutter) line(chunk []byte, emit func(message)) []byte {
	end := bytes.IndexByte(chunk, '\n')
	part := chunk
	if end >= 0 {
		part = chunk[:end]
	}
	room := longestMessage - len(c.text)
	if len(part) > room {
		c.tooLong, part = true, part[:room]
	}
	c.text = append(c.text, part...)
	if end < 0 {
		return nil
	}
	emit(message{string(bytes.TrimRight(c.text, "\r")), c.block, c.tooLong})
	c.text, c.block, c.tooLong = c.text[:0], false, false
	return chunk[end+1:]
}
