package ascii

import "bytes"

// cut says how a piece of the stream was cut out.
type cut int

const (
	// whole: one frame, complete.
	whole cut = iota
	// tooLong: the beginning of a frame that passed the longest allowed; the
	// rest, up to the next end mark, is discarded.
	tooLong
	// stray: bytes outside any frame, or a frame that another one broke off.
	stray
)

// framing says how frames are cut out of a stream: by an end mark, or by a start
// mark and a length.
type framing struct {
	// line: end is a line end; bare CR and LF around a frame are not part of it,
	// and empty lines mean nothing.
	line bool
	// end mark; empty if frames have a fixed length.
	end []byte
	// start mark; may be empty. It must not occur inside a frame.
	start []byte
	// length of a frame in bytes, after the start mark.
	length int
	// longest frame in bytes. It bounds the memory held.
	longest int
}

// framer cuts a stream into frames, however its bytes are split between pushes.
// It holds at most one frame and its marks.
type framer struct {
	framing
	held []byte
	// skipping: inside a frame that was too long, until its end mark.
	skipping bool
	// straying: inside a run of stray bytes that has been reported.
	straying bool
}

// push takes the next bytes of the stream and emits what they complete. What is
// emitted is valid until emit returns.
func (f *framer) push(chunk []byte, emit func([]byte, cut)) {
	if len(f.end) > 0 {
		f.pushDelimited(chunk, emit)
	} else {
		f.pushFixed(chunk, emit)
	}
}

// reset forgets the frame that has begun, and returns it.
func (f *framer) reset() []byte {
	rest := f.held
	if f.skipping {
		rest = nil // its beginning has been reported
	}
	f.held, f.skipping, f.straying = f.held[:0], false, false
	return rest
}

func (f *framer) pushDelimited(chunk []byte, emit func([]byte, cut)) {
	most := f.longest + len(f.end)
	for len(chunk) > 0 {
		// Frames that lie whole in the chunk are cut from it without a copy.
		window, before, taken := chunk, len(f.held), len(chunk)
		if before > 0 {
			taken = min(len(chunk), most-before)
			f.held = append(f.held, chunk[:taken]...)
			window = f.held
		}
		from := max(0, before-len(f.end)+1) // the mark may be split
		if i := bytes.Index(window[from:], f.end); i >= 0 {
			i += from
			chunk = chunk[i+len(f.end)-before:]
			f.finish(window[:i], emit)
			f.held = f.held[:0]
			continue
		}
		chunk = chunk[taken:]
		if len(window) >= most {
			f.discard(window, emit)
		} else if before == 0 {
			f.held = append(f.held, window...)
		}
	}
}

// finish emits a frame whose end mark has come.
func (f *framer) finish(frame []byte, emit func([]byte, cut)) {
	switch {
	case f.skipping:
		f.skipping = false
		return
	case len(frame) > f.longest:
		emit(frame[:f.longest], tooLong)
		return
	}
	if len(f.start) > 0 {
		i := bytes.LastIndex(frame, f.start)
		if i < 0 {
			f.stray(frame, emit)
			return
		}
		f.stray(frame[:i], emit)
		frame = frame[i+len(f.start):]
	}
	if f.line {
		if frame = bytes.Trim(frame, "\r\n"); len(frame) == 0 {
			return
		}
	}
	emit(frame, whole)
}

// discard lets go of a frame that is too long, and keeps what may be the
// beginning of its end mark.
func (f *framer) discard(window []byte, emit func([]byte, cut)) {
	if !f.skipping {
		emit(window[:f.longest], tooLong)
	}
	f.skipping = true
	f.held = append(f.held[:0], window[len(window)-len(f.end)+1:]...)
}

func (f *framer) pushFixed(chunk []byte, emit func([]byte, cut)) {
	size := len(f.start) + f.length
	for len(chunk) > 0 {
		taken := min(len(chunk), size-len(f.held))
		f.held = append(f.held, chunk[:taken]...)
		chunk = chunk[taken:]

		f.align(0, emit)
		if len(f.held) < size {
			continue
		}
		// A second start mark: the first frame was broken off.
		if i := bytes.Index(f.held[len(f.start):], f.start); i >= 0 && len(f.start) > 0 {
			f.align(len(f.start)+i, emit)
			continue
		}
		f.straying = false
		emit(f.held[len(f.start):], whole)
		f.held = f.held[:0]
	}
}

// align drops held bytes so that what is left begins with the start mark, or
// with a beginning of it. At least the first atLeast bytes go.
func (f *framer) align(atLeast int, emit func([]byte, cut)) {
	i := atLeast
	for i < len(f.held) && !bytes.HasPrefix(f.held[i:], f.start) && !bytes.HasPrefix(f.start, f.held[i:]) {
		i++
	}
	if i == 0 {
		return
	}
	f.stray(f.held[:i], emit)
	f.held = f.held[:copy(f.held, f.held[i:])]
}

// stray reports bytes outside frames: once for each run of them, and not if they
// are blank.
func (f *framer) stray(b []byte, emit func([]byte, cut)) {
	if len(bytes.TrimSpace(b)) == 0 {
		return
	}
	if len(f.end) > 0 || !f.straying {
		emit(b, stray)
	}
	f.straying = true
}
