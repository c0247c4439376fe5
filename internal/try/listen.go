package try

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/guess"
	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/plugins/ascii"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Listening is a trial without a sheet: what does the instrument say, and how would it
// be read?
type Listening struct {
	// Link says how to reach the device, as a lab file would. A serial line without a
	// baud rate is listened to at every rate that is common, until one gives text.
	Link map[string]any
	// For is how long to listen; 0: until the context ends.
	For time.Duration
	// Ask is sent every so often, to a device that speaks only when asked; empty:
	// nothing is ever sent.
	Ask   []byte
	Every time.Duration
	// Tap is told what passes over the link; nil: nobody is.
	Tap link.Tap
}

// Listened is what was heard.
type Listened struct {
	Link    link.Link
	Events  []transcript.Event
	Framing guess.Framing
}

// Draft is a sheet that was made of what was heard.
type Draft struct {
	guess.Draft
	// Missing is what a person must still fill in, as the check of sheets says it.
	Missing problem.List
	// Read is how many of the messages it reads; 0 while something is missing.
	Read int
}

// Draft makes a sheet of what was heard; file names it in what is missing.
func (l *Listened) Draft(name, file string) Draft {
	d := Draft{Draft: guess.Sheet(name, l.Link.String(), l.Events, l.Framing)}
	if d.Missing = checked(file, d.Text); len(d.Missing) > 0 {
		return d
	}
	said := transcript.Transcript{Events: l.Events}
	reader := ascii.ReadSheet(document.Parse(file, []byte(d.Text)).Node).NewReader()
	reader.Push(said.Said(transcript.Device), func(f ascii.Frame) {
		// The first is not read while a device streams, but could be.
		if f.Outcome == ascii.Read || f.Outcome == ascii.Joined {
			d.Read++
		}
	})
	return d
}

// Listen listens and writes what comes to w, and in the end what it seems to be.
func Listen(ctx context.Context, w io.Writer, l Listening) (*Listened, error) {
	root := document.From("link", l.Link)
	to := link.Read(root.Node, link.Serial, link.TCP, link.Unix)
	if err := root.Problems.Err(); err != nil {
		return nil, err
	}
	p := &paper{w: w, started: time.Now(), count: counts{ends: map[string]int{}}}
	fmt.Fprintf(w, "Listening to %v.\nNothing is recorded%s. %s\n\n", to, sends(l), ends(l.For))
	if l.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, l.For)
		defer cancel()
	}
	out := &Listened{}
	why := ""
	if _, given := l.Link["baud"]; to.Kind == link.Serial && !given {
		to.Line, why = findLine(ctx, p, to)
	}
	out.Link = to
	events, err := hear(ctx, p, to, l)
	if err != nil {
		return nil, err
	}
	out.Events, out.Framing = events, guess.Frame(events)
	p.guessed(out, why)
	if p.count.received == 0 {
		return out, ErrNothingRead
	}
	return out, nil
}

func sends(l Listening) string {
	if len(l.Ask) > 0 {
		return fmt.Sprintf(", and %s is sent every %v", transcript.Quote(l.Ask), l.Every)
	}
	return ", and nothing is sent"
}

func ends(after time.Duration) string {
	if after > 0 {
		return fmt.Sprintf("It ends after %v, or by Ctrl-C.", after)
	}
	return "Ctrl-C ends it."
}

// hear listens until ctx ends or the device closes the connection.
func hear(ctx context.Context, p *paper, to link.Link, l Listening) ([]transcript.Event, error) {
	opening := ctx
	if l.Tap != nil {
		opening = link.WithTap(ctx, l.Tap)
	}
	conn, err := to.Open(opening)
	if err != nil {
		if ctx.Err() != nil {
			return nil, nil // told to end meanwhile
		}
		return nil, err
	}
	defer conn.Close()
	p.State(pb.DeviceState_DEVICE_STATE_CONNECTED, to.String())
	h := &heard{paper: p, started: time.Now()}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	asked := make(chan struct{})
	go func() { defer close(asked); h.ask(ctx, conn, l) }()
	defer func() { cancel(); <-asked }()
	chunk := make([]byte, 16<<10)
	for {
		n, err := conn.Read(chunk)
		if n > 0 {
			h.add(transcript.Device, chunk[:n])
		}
		switch {
		case err == nil:
		case ctx.Err() != nil:
			return h.all(), nil
		case errors.Is(err, io.EOF):
			p.line(time.Now(), "NO LINK   the device closed the connection")
			return h.all(), nil
		default:
			return h.all(), fmt.Errorf("read from %v: %w", to, err)
		}
	}
}

// heard is what has passed so far.
type heard struct {
	*paper
	started time.Time
	events  []transcript.Event
}

func (h *heard) add(kind transcript.Kind, b []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := time.Now()
	h.events = append(h.events, transcript.Event{At: now.Sub(h.started), Kind: kind, Bytes: append([]byte(nil), b...)})
	if kind == transcript.Host {
		h.text(now, "sent", b)
		return
	}
	h.received(now, b)
}

func (h *heard) all() []transcript.Event {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.events
}

// ask asks until ctx ends.
func (h *heard) ask(ctx context.Context, conn io.Writer, l Listening) {
	if len(l.Ask) == 0 {
		return
	}
	for {
		h.add(transcript.Host, l.Ask) // before the answer can come
		if _, err := conn.Write(l.Ask); err != nil {
			if ctx.Err() == nil {
				h.Log("warn", fmt.Sprintf("send %s: %v", transcript.Quote(l.Ask), err))
			}
			return
		}
		timer := time.NewTimer(l.Every)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return
		}
	}
}

// guessed says what everything seems to be.
func (p *paper) guessed(l *Listened, line string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	fmt.Fprintf(p.w, "\nAfter %v: %d bytes.\n", time.Since(p.started).Round(100*time.Millisecond), p.count.received)
	if p.count.received == 0 {
		for _, hint := range silent {
			fmt.Fprintf(p.w, "  %s\n", hint)
		}
		fmt.Fprintf(p.w, "  If it speaks only when asked: --ask 'READ\\r\\n', or what its manual says.\n")
		return
	}
	if line != "" {
		fmt.Fprintf(p.w, "  line      %s\n", line)
	}
	f := l.Framing
	what := "WHERE ITS MESSAGES END CANNOT BE TOLD"
	switch f.How {
	case guess.Lines:
		what = "lines, each ended by " + transcript.Quote(f.End)
	case guess.Marks:
		what = fmt.Sprintf("messages from %s to %s", transcript.Quote(f.Start), transcript.Quote(f.End))
	case guess.Fixed:
		what = fmt.Sprintf("messages that begin with %s and have %d bytes behind it", transcript.Quote(f.Start), f.Length)
	case guess.Silence:
		what = "messages with nothing but silence between them"
	}
	fmt.Fprintf(p.w, "  framing   %s\n", what)
	for _, why := range f.Why {
		fmt.Fprintf(p.w, "            %s\n", strings.Join(wrapped(why, 66), "\n            "))
	}
	const shown = 4
	for i, m := range f.Messages[max(0, len(f.Messages)-shown):] {
		head := ""
		if i == 0 {
			head = "the last"
		}
		fmt.Fprintf(p.w, "  %-8s  %s\n", head, printable(m, 60))
	}
	if 10*p.count.notText > 3*p.count.received && l.Link.Kind == link.Serial {
		fmt.Fprintf(p.w, "  %d of %d bytes are no text: mostly a wrong baud rate, or wrong bits or parity.\n", p.count.notText, p.count.received)
	}
}

// wrapped breaks text into lines of a width, at blanks, and keeps the blanks between.
func wrapped(text string, width int) []string {
	var out []string
	for i, w := range strings.Split(text, " ") {
		if n := len(out); i > 0 && utf8.RuneCountInString(out[n-1])+1+utf8.RuneCountInString(w) <= width {
			out[n-1] += " " + w
		} else {
			out = append(out, w)
		}
	}
	return out
}
