package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"go.uber.org/zap"

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

// Audit checks everything in the ledger up to now. What is wrong is in the
// answer; an error says that the audit could not be made.
func (l *Ledger) Audit(ctx context.Context) (*pb.AuditRecordResponse, error) {
	var a auditor
	known := l.Head()
	err := l.store.walk(ctx, known.Cursor, func(m message) error {
		if m.position <= known.Cursor {
			a.add(m.position, m.bytes)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("audit the record: %w", err)
	}
	return a.finish(known), nil
}

// Audit checks the ledger in dir, which no hub may have open: a hub that runs is
// asked itself. It works on a copy in the system's directory for temporary
// files, because opening the store mends what it finds and so could change the
// evidence.
func Audit(ctx context.Context, dir string) (_ *pb.AuditRecordResponse, err error) {
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
	known, err := readHead(dir)
	if err != nil {
		return fail(err)
	}
	private, err := os.MkdirTemp("", "evenbench-audit-")
	if err != nil {
		return fail(err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(private)) }()
	if err := copyTree(ctx, filepath.Join(private, storeFolder), filepath.Join(dir, storeFolder)); err != nil {
		return fail(err)
	}
	answer, err := auditCopy(ctx, private, known)
	if err != nil {
		return fail(err)
	}
	return answer, nil
}

func auditCopy(ctx context.Context, dir string, known Head) (*pb.AuditRecordResponse, error) {
	o := Options{Dir: dir}.withDefaults()
	s, end, err := openStore(ctx, o, &serverLog{log: zap.NewNop()})
	if err != nil {
		return nil, err
	}
	defer s.close()
	var a auditor
	if err := s.walk(ctx, end, func(m message) error { a.add(m.position, m.bytes); return nil }); err != nil {
		return nil, err
	}
	if last, hash := a.chain.Last(); last < end && known.Cursor < end {
		// The store knows of entries that it no longer has.
		known = Head{end, hash}
	}
	return a.finish(known), nil
}

// copyTree copies a directory of plain files.
func copyTree(ctx context.Context, to, from string) error {
	return filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
		relative, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		target := filepath.Join(to, relative)
		if d.IsDir() {
			return os.MkdirAll(target, 0o700)
		}
		return copyFile(target, path)
	})
}

func copyFile(to, from string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	_, err = io.Copy(out, in)
	return err
}
