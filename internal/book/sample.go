package book

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// sample is one sample: its record, and what is not part of it.
type sample struct {
	record *pb.SampleRecord
	roasts []*oneRoast
	// Stations where the sample lies, by name.
	on map[string]bool
}

func (b *Book) sampleRegistered(e *pb.Entry, m *pb.SampleRegistered) {
	s := &sample{
		record: &pb.SampleRecord{
			Sample:       m.GetSample(),
			Identity:     proto.CloneOf(m.GetIdentity()),
			RegisteredAt: e.GetRecordedAt(),
		},
		on: map[string]bool{},
	}
	b.samples[m.GetSample()] = s
	b.order = append(b.order, s)
	if strings.HasPrefix(m.GetSample(), codePrefix) {
		b.codes++
	}
	b.touch(s)
}

const codePrefix = "S-"

// FreeCode returns a lab code that no sample has.
func (b *Book) FreeCode() string {
	for n := b.codes + 1; ; n++ {
		code := fmt.Sprintf("%s%04d", codePrefix, n)
		if _, taken := b.samples[code]; !taken {
			return code
		}
	}
}

func (b *Book) sampleAmended(e *pb.Entry, m *pb.SampleAmended) {
	s := b.samples[m.GetSample()]
	if s == nil {
		return
	}
	identity := s.record.GetIdentity()
	for _, c := range m.GetChanges() {
		if f := identityField(c.GetField()); f != nil {
			f.set(identity, c.GetNew())
		}
		s.record.Corrections = append(s.record.Corrections, &pb.Correction{
			Field: c.GetField(), Old: c.GetOld(), New: c.GetNew(),
			Reason: m.GetReason(), Actor: e.GetActor(), Person: e.GetPerson(), At: e.GetRecordedAt(), Cursor: e.GetCursor(),
		})
	}
	b.touch(s)
	b.refind(s) // which windows it has goes by what it is
}

// field is one field of an identity as text.
type field struct {
	name string
	get  func(*pb.SampleIdentity) string
	set  func(*pb.SampleIdentity, string)
}

var identityFields = []field{
	{"kind",
		func(i *pb.SampleIdentity) string { return KindWord(i.GetKind()) },
		func(i *pb.SampleIdentity, v string) { i.Kind = kindOf(v) }},
	{"lot", (*pb.SampleIdentity).GetLot, func(i *pb.SampleIdentity, v string) { i.Lot = v }},
	{"ico_mark", (*pb.SampleIdentity).GetIcoMark, func(i *pb.SampleIdentity, v string) { i.IcoMark = v }},
	{"coffee_year", (*pb.SampleIdentity).GetCoffeeYear, func(i *pb.SampleIdentity, v string) { i.CoffeeYear = v }},
	{"process", (*pb.SampleIdentity).GetProcess, func(i *pb.SampleIdentity, v string) { i.Process = v }},
	{"origin", (*pb.SampleIdentity).GetOrigin, func(i *pb.SampleIdentity, v string) { i.Origin = v }},
}

func identityField(name string) *field {
	for i := range identityFields {
		if identityFields[i].name == name {
			return &identityFields[i]
		}
	}
	return nil
}

// KindWord returns the kind of a sample as a word: "offer", "pre_shipment", …
func KindWord(k pb.SampleKind) string {
	return strings.ToLower(strings.TrimPrefix(k.String(), "SAMPLE_KIND_"))
}

func kindOf(word string) pb.SampleKind {
	return pb.SampleKind(pb.SampleKind_value["SAMPLE_KIND_"+strings.ToUpper(word)])
}

// IdentityChanges lists what has to change to make one identity into another.
func IdentityChanges(from, to *pb.SampleIdentity) []*pb.FieldChange {
	var changes []*pb.FieldChange
	for _, f := range identityFields {
		if was, is := f.get(from), f.get(to); was != is {
			changes = append(changes, &pb.FieldChange{Field: f.name, Old: was, New: is})
		}
	}
	return changes
}

func (b *Book) noteAdded(e *pb.Entry, m *pb.NoteAdded) {
	s := b.samples[m.GetSample()]
	if s == nil {
		return
	}
	s.record.Notes = append(s.record.Notes, &pb.Note{Text: m.GetText(), Actor: e.GetActor(), Person: e.GetPerson(), At: e.GetRecordedAt()})
	b.touch(s)
}

func (b *Book) flagRaised(e *pb.Entry, m *pb.FlagRaised) {
	for _, of := range [][2]string{{m.GetSample(), m.GetOtherSample()}, {m.GetOtherSample(), m.GetSample()}} {
		if s := b.samples[of[0]]; s != nil {
			s.record.Flags = append(s.record.Flags, &pb.Flag{
				Code: m.GetCode(), Text: m.GetText(), At: e.GetRecordedAt(), Cursor: e.GetCursor(), OtherSample: of[1],
			})
			b.touch(s)
		}
	}
}

// flag drafts a flag.
func (b *Book) flag(f *pb.FlagRaised) {
	b.follow(&pb.Entry{Body: &pb.Entry_FlagRaised{FlagRaised: f}})
}

// List returns copies of records in the order of registration: those from the
// skip-th on whose code, lot, mark, origin or process contains the text, at most
// limit, and no more after so many bytes; and how many samples to skip for the rest,
// 0 if there is no rest.
func (b *Book) List(search string, skip, limit, bytes int) (records []*pb.SampleRecord, next int) {
	search = strings.ToLower(search)
	size := 0
	for i := max(skip, 0); i < len(b.order); i++ {
		s := b.order[i]
		if !s.matches(search) {
			continue
		}
		if len(records) == limit || size >= bytes {
			return records, i
		}
		size += proto.Size(s.record)
		record, _ := b.Record(s.record.GetSample())
		records = append(records, record)
	}
	return records, 0
}

func (s *sample) matches(lower string) bool {
	id := s.record.GetIdentity()
	return slices.ContainsFunc(
		[]string{s.record.GetSample(), id.GetLot(), id.GetIcoMark(), id.GetOrigin(), id.GetProcess()},
		func(v string) bool { return strings.Contains(strings.ToLower(v), lower) })
}

// Samples returns how many samples are registered.
func (b *Book) Samples() int { return len(b.order) }

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }
