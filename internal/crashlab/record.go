package main

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// stored is the bytes of each entry of a record: entry n is at n-1.
type stored [][]byte

// readRecord audits the record in a folder that no hub has open, and reads it.
func readRecord(ctx context.Context, dir string) (*pb.AuditRecordResponse, stored, error) {
	audit, err := ledger.Audit(ctx, dir)
	if err != nil {
		return nil, nil, err
	}
	var list stored
	l, err := ledger.Open(ctx, ledger.Options{Dir: dir, HubVersion: "crashlab", Visit: func(s ledger.Stored) error {
		if s.Cursor != uint64(len(list)+1) {
			return fmt.Errorf("entry %d comes after entry %d", s.Cursor, len(list))
		}
		list = append(list, append([]byte(nil), s.Bytes...))
		return nil
	}})
	if err != nil {
		return nil, nil, err
	}
	return audit, list, l.Close()
}

// parse returns the entries, anew with each call: a fold keeps parts of them.
func (s stored) parse() ([]*pb.Entry, error) {
	list := make([]*pb.Entry, len(s))
	for i, b := range s {
		list[i] = new(pb.Entry)
		if err := proto.Unmarshal(b, list[i]); err != nil {
			return nil, fmt.Errorf("parse entry %d: %w", i+1, err)
		}
	}
	return list, nil
}

// fold folds entries into records from the start. It returns the record of each
// sample as bytes, and what of the record does not follow as it should: an entry
// with a cause has to be what the fold says that follows there, and nothing that
// follows may be left out but at the end.
func fold(entries []*pb.Entry, visit func(*book.Book)) (records map[string]string, faults []string) {
	b := book.New()
	var owed []*pb.Entry
	var codes []string
	for _, e := range entries {
		follows := e.GetCause() != 0
		switch {
		case follows && len(owed) == 0:
			faults = append(faults, fmt.Sprintf("entry %d says that it follows from entry %d, and nothing does", e.GetCursor(), e.GetCause()))
		case follows && !sameBody(owed[0], e):
			faults = append(faults, fmt.Sprintf("entry %d is %v, and what follows there is %v", e.GetCursor(), e, owed[0]))
		case !follows && len(owed) > 0:
			faults = append(faults, fmt.Sprintf("entry %d comes where %v should have followed", e.GetCursor(), owed[0]))
		}
		next := b.Apply(e)
		if follows && len(owed) > 0 {
			owed = append(next, owed[1:]...)
		} else {
			owed = next
		}
		if m := e.GetSampleRegistered(); m != nil {
			codes = append(codes, m.GetSample())
		}
		visit(b)
	}
	records = map[string]string{}
	for _, code := range codes {
		r, _ := b.Record(code)
		text, err := recordBytes(r)
		if err != nil {
			faults = append(faults, err.Error())
		}
		records[code] = text
	}
	return records, faults
}

// sameBody tells whether two entries say the same for the same cause.
func sameBody(draft, e *pb.Entry) bool {
	return proto.Equal(&pb.Entry{Cause: draft.Cause, Body: draft.Body}, &pb.Entry{Cause: e.Cause, Body: e.Body})
}

func recordBytes(r *pb.SampleRecord) (string, error) {
	if r == nil {
		return "", errors.New("a sample that was registered has no record")
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	return string(b), err
}
