package ledger

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
)

// ErrFenced says that another hub has written to the ledger.
var ErrFenced = errors.New("another hub writes to this ledger; this one must stop")

// errDisplaced says that the store did not end where it should have: another hub has
// written, or this one has, and its answer was lost. The stream tells.
var errDisplaced = errors.New("the store does not end with the entry before")

// record is one entry ready to be stored.
type record struct {
	cursor  uint64
	subject string
	bytes   []byte
}

// Headers of a publication, from the JetStream documentation.
const (
	headerExpectedLast = "Nats-Expected-Last-Sequence"
	headerBatchID      = "Nats-Batch-Id"
	headerBatchSeq     = "Nats-Batch-Sequence"
	headerBatchCommit  = "Nats-Batch-Commit"
	// The server's codes for an expected last sequence that is not, the second where
	// another publication is still on its way.
	codeWrongLast, codeWrongLastYet = 10071, 10164
)

func wrongLast(code int) bool { return code == codeWrongLast || code == codeWrongLastYet }

// soloEntries is the largest group that is stored entry by entry on a cluster, where
// each is agreed upon by itself, and an atomic batch is staged first. The server of this
// process stores any group so (BenchmarkGroup).
const soloEntries = 16

// publisher stores groups of records, one group at a time.
type publisher struct {
	store   *store
	inbox   string
	replies chan *nats.Msg
	timeout time.Duration
	// given is closed when nobody waits for answers any more; nil: somebody always does.
	given   <-chan struct{}
	batches int // names them: one that was left unfinished is no part of the next
	journal *serverLog
}

func newPublisher(s *store, timeout time.Duration, journal *serverLog) (*publisher, error) {
	inbox := s.conn.NewInbox()
	// No more answers than this can be under way.
	replies := make(chan *nats.Msg, defaultGroupEntries)
	if _, err := s.conn.ChanSubscribe(inbox, replies); err != nil {
		return nil, fmt.Errorf("open the ledger for writing: %w", err)
	}
	return &publisher{store: s, inbox: inbox, replies: replies, timeout: timeout, journal: journal}, nil
}

// commit stores a group and returns when all of it is durable. After an error
// some of the group may be stored; nothing may be stored after it.
//
// Every way of storing carries the cursor before, so that nothing is stored out
// of place: not behind an entry that failed, and not behind another hub's.
func (p *publisher) commit(group []record) error {
	select {
	case <-p.journal.complained: // of something before
	default:
	}
	var err error
	if p.store.embedded != nil || len(group) <= soloEntries {
		err = p.oneByOne(group)
	} else {
		err = p.atomically(group)
	}
	if err == nil && p.store.embedded != nil {
		err = p.store.embedded.sync()
	}
	if err != nil {
		return fmt.Errorf("store %s: %w", span(group[0].cursor, group[len(group)-1].cursor), err)
	}
	return nil
}

func (p *publisher) oneByOne(group []record) error {
	for _, r := range group {
		m := p.message(r)
		m.Header[headerExpectedLast] = []string{strconv.FormatUint(r.cursor-1, 10)}
		m.Reply = p.inbox
		if err := p.store.conn.PublishMsg(m); err != nil {
			return err
		}
	}
	for _, r := range group {
		if err := p.await(r.cursor); err != nil {
			return err
		}
	}
	return nil
}

func (p *publisher) atomically(group []record) error {
	p.batches++
	id := []string{p.inbox[len(p.inbox)-min(len(p.inbox), 22):] + "-" + strconv.Itoa(p.batches)}
	for i, r := range group {
		m := p.message(r)
		m.Header[headerBatchID] = id
		m.Header[headerBatchSeq] = []string{strconv.Itoa(i + 1)}
		if i == 0 {
			m.Header[headerExpectedLast] = []string{strconv.FormatUint(r.cursor-1, 10)}
		}
		if i == len(group)-1 {
			m.Header[headerBatchCommit] = []string{"1"}
			m.Reply = p.inbox
		}
		if err := p.store.conn.PublishMsg(m); err != nil {
			return err
		}
	}
	return p.await(group[len(group)-1].cursor)
}

func (p *publisher) message(r record) *nats.Msg {
	return &nats.Msg{Subject: r.subject, Header: make(nats.Header, 3), Data: r.bytes}
}

// pubAck is the server's answer to a publication.
type pubAck struct {
	Seq   uint64 `json:"seq"`
	Error *struct {
		Code        int    `json:"err_code"`
		Description string `json:"description"`
	} `json:"error"`
}

// await waits for the answer that says that the entry at cursor is durable.
func (p *publisher) await(cursor uint64) error {
	patience := time.NewTimer(p.timeout)
	defer patience.Stop()
	for {
		select {
		case m := <-p.replies:
			return readAck(m, cursor)
		case <-p.journal.complained:
			// A batch that fails while it is written to disk is not answered.
			patience.Reset(min(p.timeout, complaintGrace))
		case <-p.given:
			return errors.New("nobody waits for an answer any more")
		case <-patience.C:
			return fmt.Errorf("no answer: %w", p.journal.orElse(fmt.Sprintf("the store has been silent for %v; %s", p.timeout, p.guess())))
		}
	}
}

// guess says what a silent store may have.
func (p *publisher) guess() string {
	if p.store.embedded == nil {
		return "too few of its servers may be there, or the line is down"
	}
	return "the disk may hang"
}

// complaintGrace is how long an answer may still take once the server has
// complained of anything.
const complaintGrace = time.Second

func readAck(m *nats.Msg, cursor uint64) error {
	var ack pubAck
	switch err := json.Unmarshal(m.Data, &ack); {
	case m.Header.Get("Status") == "503":
		return errors.New("the store has stopped")
	case err != nil:
		return fmt.Errorf("read the store's answer %q: %w", m.Data, err)
	case ack.Error != nil && wrongLast(ack.Error.Code):
		return fmt.Errorf("%w (%s)", errDisplaced, ack.Error.Description)
	case ack.Error != nil:
		return fmt.Errorf("%s (JetStream error %d)", ack.Error.Description, ack.Error.Code)
	case ack.Seq != cursor:
		return fmt.Errorf("entry %d was stored as %d: %w", cursor, ack.Seq, errDisplaced)
	}
	return nil
}

// span reads "entry 7" or "entries 7 to 9".
func span(first, last uint64) string {
	if first == last {
		return fmt.Sprintf("entry %d", first)
	}
	return fmt.Sprintf("entries %d to %d", first, last)
}
