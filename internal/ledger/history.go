package ledger

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
)

const (
	// One request to the store asks for at most this much. The store holds back
	// its writer while it answers one, so it must be well under a millisecond's
	// work.
	historyEntries = 1024
	historyBytes   = 256 << 10
	// Requests under way at once, of all readers together: what bounds the memory
	// that any number of them can take.
	historyRequests = 4

	historyTimeout = 30 * time.Second
)

// history reads entries from the stream, in chunks that are asked for one by
// one. The server keeps nothing about a reader between two requests, so that
// one that stops costs nothing.
type history struct {
	conn    *nats.Conn
	subject string
	slots   chan struct{}
	// leader is the subject of a question to the leader of a stream that several servers
	// keep; empty if there is one server.
	leader string
}

func newHistory(conn *nats.Conn, stream string, cluster bool) *history {
	h := &history{conn: conn, subject: "$JS.API.DIRECT.GET." + stream, slots: make(chan struct{}, historyRequests)}
	if cluster {
		h.leader = "$JS.API.STREAM.MSG.GET." + stream
	}
	return h
}

// message is what the store has at one position.
type message struct {
	position uint64
	bytes    []byte
}

// read appends to space what the store has from a position on, as much as it
// gives at once: nothing only if it has nothing there. The first need not be at
// from, as entries may be missing.
func (h *history) read(ctx context.Context, from uint64, space []message) ([]message, error) {
	select {
	case h.slots <- struct{}{}:
		defer func() { <-h.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	ctx, cancel := context.WithTimeout(ctx, historyTimeout)
	defer cancel()
	// Headers cost more than small entries themselves. Without them positions are
	// known by counting, unless something is missing.
	chunk, last, err := h.ask(ctx, request{From: from, NoHeaders: true}, space)
	if err == nil && len(chunk) > 0 && from+uint64(len(chunk))-1 != last {
		chunk, _, err = h.ask(ctx, request{From: from}, space)
	}
	if err == nil && h.leader != "" {
		if whole := inOrder(from, chunk); whole > 0 {
			chunk = chunk[:whole]
		} else {
			chunk, err = h.fromLeader(ctx, from, chunk)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("read entries from %d: %w", from, err)
	}
	return chunk, nil
}

// inOrder returns how many messages stand one after the other from a position on.
func inOrder(from uint64, chunk []message) (n int) {
	for n < len(chunk) && chunk[n].position == from+uint64(n) {
		n++
	}
	return n
}

// fromLeader reads the entry at a position from the stream's leader. Any server of a
// cluster answers a direct get, also one that is behind: that something is missing, only
// the leader can say. What was read goes where it does not say otherwise.
func (h *history) fromLeader(ctx context.Context, position uint64, read []message) ([]message, error) {
	m, err := h.conn.RequestWithContext(ctx, h.leader, fmt.Appendf(nil, `{"seq":%d}`, position))
	if err != nil {
		return nil, err
	}
	var answer struct {
		Message struct {
			Data []byte `json:"data"`
		} `json:"message"`
		Error *struct {
			Code        int    `json:"err_code"`
			Description string `json:"description"`
		} `json:"error"`
	}
	switch err := json.Unmarshal(m.Data, &answer); {
	case err != nil:
		return nil, err
	case answer.Error != nil && answer.Error.Code == codeNoMessage:
		return read, nil
	case answer.Error != nil:
		return nil, fmt.Errorf("%s (JetStream error %d)", answer.Error.Description, answer.Error.Code)
	}
	return []message{{position, answer.Message.Data}}, nil
}

// codeNoMessage is the server's code for a position with nothing at it.
const codeNoMessage = 10037

// request is a batched direct get, as JetStream's API defines it.
type request struct {
	From      uint64 `json:"seq"`
	Batch     int    `json:"batch"`
	MaxBytes  int    `json:"max_bytes"`
	NoHeaders bool   `json:"no_hdr,omitempty"`
}

// ask makes one request and appends the answer to space. last is the position of
// the last message of it.
func (h *history) ask(ctx context.Context, r request, space []message) (chunk []message, last uint64, err error) {
	inbox := h.conn.NewInbox()
	replies, err := h.conn.SubscribeSync(inbox)
	if err != nil {
		return nil, 0, err
	}
	// Fails only if the connection is gone, and the subscription with it.
	defer func() { _ = replies.Unsubscribe() }()
	r.Batch, r.MaxBytes = historyEntries, historyBytes
	body, err := json.Marshal(r)
	if err != nil {
		return nil, 0, err
	}
	if err := h.conn.PublishRequest(h.subject, inbox, body); err != nil {
		return nil, 0, err
	}
	for {
		m, err := replies.NextMsgWithContext(ctx)
		if err != nil {
			return nil, 0, err
		}
		switch status := m.Header.Get("Status"); status {
		case "":
			position := r.From + uint64(len(space))
			if s := m.Header.Get("Nats-Sequence"); s != "" {
				if position, err = strconv.ParseUint(s, 10, 64); err != nil {
					return nil, 0, err
				}
			}
			space = append(space, message{position, m.Data})
		case "204": // the end of the chunk
			last, err = strconv.ParseUint(m.Header.Get("Nats-Last-Sequence"), 10, 64)
			return space, last, err
		case "404": // nothing there
			return space, 0, nil
		case "503":
			return nil, 0, errors.New("the store has stopped")
		default:
			return nil, 0, fmt.Errorf("the store says %s %s", status, m.Header.Get("Description"))
		}
	}
}
