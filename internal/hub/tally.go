package hub

import (
	"maps"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/space"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// tally counts what is in the record. It is filled while the ledger is folded, and
// then with every entry, so that its counts survive the hub.
type tally struct {
	mu          sync.Mutex
	kinds       map[protoreflect.FieldNumber]uint64
	instruments map[string]*count
	growth      space.Growth
	// When a person was last told that the disk fills, on the lab's clock.
	warned time.Time
}

// count is what the record has of one instrument.
type count struct {
	readings, unassigned uint64
	gaps                 map[pb.GapReason]uint64
}

func newTally() *tally {
	return &tally{kinds: map[protoreflect.FieldNumber]uint64{}, instruments: map[string]*count{}}
}

// imprint codes the counts.
func (t *tally) imprint(c *imprint.Coder) {
	t.mu.Lock()
	defer t.mu.Unlock()
	kinds := slices.Sorted(maps.Keys(t.kinds))
	imprint.List(c, &kinds, func(kind *protoreflect.FieldNumber) {
		imprint.Int(c, kind)
		n := t.kinds[*kind]
		imprint.Int(c, &n)
		t.kinds[*kind] = n
	})
	names := slices.Sorted(maps.Keys(t.instruments))
	imprint.List(c, &names, func(name *string) {
		c.Text(name)
		t.of(*name).imprint(c)
	})
	t.growth.Imprint(c)
	c.Time(&t.warned)
}

func (c *count) imprint(p *imprint.Coder) {
	imprint.Int(p, &c.readings)
	imprint.Int(p, &c.unassigned)
	reasons := slices.Sorted(maps.Keys(c.gaps))
	imprint.List(p, &reasons, func(reason *pb.GapReason) {
		imprint.Int(p, reason)
		n := c.gaps[*reason]
		imprint.Int(p, &n)
		c.gaps[*reason] = n
	})
}

func (t *tally) of(instrument string) *count {
	c := t.instruments[instrument]
	if c == nil {
		c = &count{gaps: map[pb.GapReason]uint64{}}
		t.instruments[instrument] = c
	}
	return c
}

var entryBody = (*pb.Entry)(nil).ProtoReflect().Descriptor().Oneofs().ByName("body")

// add counts an entry.
func (t *tally) add(e *pb.Entry) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if field := e.ProtoReflect().WhichOneof(entryBody); field != nil {
		t.kinds[field.Number()]++
	}
	switch body := e.GetBody().(type) {
	case *pb.Entry_Readings:
		m := body.Readings
		bound := uint64(0)
		for _, b := range m.GetBindings() {
			bound += uint64(b.GetLastRow()) - uint64(b.GetFirstRow()) + 1
		}
		t.of(m.GetInstrument()).add(uint64(m.GetCount()), bound)
	case *pb.Entry_Gap:
		t.of(body.Gap.GetInstrument()).gaps[body.Gap.GetReason()]++
	case *pb.Entry_FlagRaised:
		if body.FlagRaised.GetCode() == pb.FlagCode_FLAG_CODE_DISK_FILLING {
			t.warned = e.GetRecordedAt().AsTime()
		}
	}
}

// batch counts an entry of readings of which so many are bound to a sample.
func (t *tally) batch(instrument []byte, readings, bound uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kinds[kindReadings]++
	c := t.instruments[string(instrument)]
	if c == nil {
		c = t.of(string(instrument))
	}
	c.add(readings, bound)
}

func (c *count) add(readings, bound uint64) {
	c.readings += readings
	c.unassigned += readings - min(bound, readings)
}

// grew counts bytes that were stored.
func (t *tally) grew(at time.Time, bytes int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.growth.Add(at, bytes)
}

// foresee makes a forecast for a disk and a record of a size, on it or elsewhere.
func (t *tally) foresee(d space.Disk, record uint64, elsewhere bool, now time.Time) space.Forecast {
	t.mu.Lock()
	defer t.mu.Unlock()
	growth, known := t.growth.BusiestDay(now)
	if elsewhere {
		return space.Elsewhere(d, record, growth, known, t.growth.Written())
	}
	return space.Foresee(d, record, growth, known, t.growth.Written())
}

func (t *tally) lastWarning() time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.warned
}

// entries returns how many entries there are of each kind that there is, by name.
func (t *tally) entries() map[string]uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	list := map[string]uint64{}
	for i := range entryBody.Fields().Len() {
		field := entryBody.Fields().Get(i)
		list[string(field.Name())] = t.kinds[field.Number()]
	}
	return list
}

// instrument returns what there is of one instrument.
func (t *tally) instrument(name string) count {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := *t.of(name)
	c.gaps = maps.Clone(c.gaps)
	return c
}

// readings returns how many readings there are of all instruments.
func (t *tally) readings() (n uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, c := range t.instruments {
		n += c.readings
	}
	return n
}
