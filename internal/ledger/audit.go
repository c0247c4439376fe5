package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// maxAuditFaults bounds what an audit lists. A record that was exchanged as a
// whole has one fault for each entry.
const maxAuditFaults = 1000

// auditor checks entries one after the other.
type auditor struct {
	chain  Chain
	runs   Runs
	answer pb.AuditRecordResponse
	more   int
}

func (a *auditor) add(position uint64, stored []byte) {
	a.answer.Entries++
	a.report(a.chain.Add(position, stored))
	e, err := Stored{Cursor: position, Bytes: stored}.Entry()
	if err != nil {
		a.report([]Fault{{position, fmt.Sprintf("entry %d cannot be read: %v", position, err)}})
		return
	}
	if opens := e.GetRecordOpened() != nil; opens != (position == 1) {
		a.report([]Fault{{position, fmt.Sprintf("entry %d: a record is opened by its first entry and no other", position)}})
	}
	e.Cursor = position
	a.report(a.runs.Add(e))
}

func (a *auditor) report(faults []Fault) {
	for _, f := range faults {
		if len(a.answer.Faults) >= maxAuditFaults {
			a.more++
			continue
		}
		a.answer.Faults = append(a.answer.Faults, &pb.AuditFault{Cursor: f.Cursor, Text: f.Text})
	}
}

// finish compares the end with what is known of it and sums up.
func (a *auditor) finish(known Head) *pb.AuditRecordResponse {
	a.report(a.chain.End(known))
	a.report(a.runs.End())
	if a.more > 0 {
		a.answer.Faults = append(a.answer.Faults, &pb.AuditFault{Text: fmt.Sprintf("and %d more", a.more)})
	}
	_, hash := a.chain.Last()
	a.answer.LastHash = hash[:]
	a.answer.Readings = a.runs.Readings()
	a.answer.Runs = a.runs.Audits()
	for _, r := range a.answer.Runs {
		a.answer.MissingExplained += r.MissingExplained
	}
	a.answer.Unbroken = len(a.answer.Faults) == 0
	return &a.answer
}

// files audits the files of an embedded store up to an entry, without the
// server.
func (a *auditor) files(ctx context.Context, dir, stream string, limit uint64, known Head, noted bool) error {
	b := blocks{
		dir: blocksDir(dir, stream), stream: stream, limit: limit, tolerate: known.Cursor + 1,
		visit: func(m message) error { a.add(m.position, m.bytes); return nil },
		fault: func(f Fault) error { a.report([]Fault{f}); return nil },
	}
	if !noted {
		b.tolerate = noLimit
	}
	_, err := b.read(ctx)
	return err
}

// Audit checks everything in the ledger up to now. What is wrong is in the
// answer; an error says that the audit could not be made.
func (l *Ledger) Audit(ctx context.Context) (*pb.AuditRecordResponse, error) {
	var a auditor
	known, err := l.Head(), error(nil)
	if l.options.Cluster == nil {
		err = a.files(ctx, l.options.Dir, l.options.stream(), known.Cursor, known, true)
	} else {
		err = l.store.Load().walk(ctx, 0, known.Cursor, func(m message) error { a.add(m.position, m.bytes); return nil })
	}
	if err != nil {
		return nil, fmt.Errorf("audit the record: %w", err)
	}
	return a.finish(known), nil
}

// Audit checks the ledger that lies in dir, which no hub may have open: a hub
// that runs is asked itself. It only reads.
func Audit(ctx context.Context, dir string) (*pb.AuditRecordResponse, error) {
	fail := func(err error) (*pb.AuditRecordResponse, error) {
		return nil, fmt.Errorf("audit ledger %s: %w", dir, err)
	}
	if _, err := os.Stat(filepath.Join(dir, storeFolder)); err != nil {
		return fail(fmt.Errorf("it holds no ledger: %w", err))
	}
	lock, err := lockDir(dir)
	switch {
	case err == nil:
		defer lock.Close()
	case errors.Is(err, ErrInUse):
		return fail(errors.New("a hub has it open; audit it through the hub"))
	}
	// A lock that cannot be had for another reason, such as a read-only disk,
	// keeps any hub out as well.
	known, noted, err := readHead(dir)
	if err != nil {
		return fail(err)
	}
	var a auditor
	if err := a.files(ctx, dir, defaultStream, noLimit, known, noted); err != nil {
		return fail(err)
	}
	return a.finish(known), nil
}

// AuditCluster checks the record that lies on a cluster, or the copy of one. It only
// reads, and a hub may have it open: what is there when it begins is checked.
func AuditCluster(ctx context.Context, c Cluster) (*pb.AuditRecordResponse, error) {
	cluster := c.withDefaults()
	fail := func(err error) (*pb.AuditRecordResponse, error) {
		return nil, fmt.Errorf("audit %v: %w", cluster, err)
	}
	s, end, err := lookAtStore(ctx, cluster)
	if err != nil {
		return fail(err)
	}
	defer s.close()
	var a auditor
	if err := s.walk(ctx, 0, end.last, func(m message) error { a.add(m.position, m.bytes); return nil }); err != nil {
		return fail(err)
	}
	if last, _ := a.chain.Last(); last < end.last {
		a.report([]Fault{{last + 1, entries(last+1, end.last) + " missing from the store"}})
	}
	_, hash := a.chain.Last()
	return a.finish(Head{end.last, hash}), nil
}
