package board

import (
	"cmp"
	"maps"
	"slices"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// hand is something on the bench that needs a person: what, when, and why.
type hand struct {
	// Key names the need as long as it lasts, so that it is announced once.
	Key string
	// At is when it is due, on the lab's clock. Spread is how far that may be off, to
	// either side; 0: it is not told from a prediction.
	At     time.Time
	Spread time.Duration
	// What is to be done, and Why: keys of the catalogue with what is put into them.
	What, Why phrase
	Station   string
	Sample    string
	// Mark, if setting it is what is to be done, at the Station.
	Mark pb.MarkKind
	// Link leads to the page on which it is done; empty: it is done with the hands.
	Link string
	// Flag is the cursor of the flag that it is about; 0: of none.
	Flag uint64
}

// phrase is a text of the catalogue with what is put into it; what the hub says itself
// has only Said.
type phrase struct {
	Key  string
	Args []any
	Said string
}

// word is what is put into a phrase and is of the catalogue itself.
type word string

func say(key string, args ...any) phrase { return phrase{Key: key, Args: args} }

const (
	// coolingTime is how long dropped beans lie in the tray before they can be weighed:
	// common practice, no source.
	coolingTime = 90 * time.Second
	// restBeforeColour is the least rest before colour is read, and colourUntil the
	// longest: the cupping protocol's window of 30 min to 4 h.
	restBeforeColour = 30 * time.Minute
	colourUntil      = 4 * time.Hour
	// looseFor is how long a reading without a sample is called for; afterwards it is
	// still in the list of those.
	looseFor = 12 * time.Hour
	// flagsFor is the same for flags.
	flagsFor = 2 * time.Hour
	// ahead is how far the list looks.
	ahead = 10 * time.Minute
)

// hands returns what needs a person within the next minutes, in the order of when.
func (b *bench) hands() []hand {
	now := b.now()
	var list []hand
	add := func(h hand) {
		if !h.At.After(now.Add(ahead)) {
			list = append(list, h)
		}
	}
	for _, name := range b.drumNames() {
		b.handsAtDrum(name, now, add)
	}
	b.handsForSamples(now, add)
	b.handsForReadings(now, add)
	b.handsForInstruments(now, add)
	b.handsForChecks(now, add)
	slices.SortStableFunc(list, func(x, y hand) int {
		return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.Key, y.Key))
	})
	return list
}

// handsAtDrum are what a drum needs: marks that are due, its next charge.
func (b *bench) handsAtDrum(name string, now time.Time, add func(hand)) {
	d, st := b.drums[name], b.station(name)
	if st.GetRoast() != "" {
		r := d.roast
		if r == nil {
			return
		}
		for _, e := range r.expected {
			if r.marks[e.kind] != nil || e.likely.IsZero() {
				continue
			}
			add(hand{
				Key: "mark/" + name + "/" + e.kind.String(), At: e.likely, Spread: e.latest.Sub(e.earliest) / 2,
				What: say(expectedWords[e.kind], name), Why: say("told from %d earlier roasts of this drum", e.roasts),
				Station: name, Sample: r.sample, Mark: e.kind,
			})
		}
		b.handsForWindows(name, r, now, add)
		return
	}
	if len(st.GetQueue()) == 0 {
		return
	}
	next := st.GetQueue()[0]
	since := now
	if r := d.roast; r != nil && r.marks[pb.MarkKind_MARK_KIND_DROP] != nil {
		since = r.marks[pb.MarkKind_MARK_KIND_DROP].GetAt().AsTime()
	}
	if rec := b.records[next]; rec != nil && measured(rec, "charge_mass", "") == nil {
		add(hand{
			Key: "charge-mass/" + next, At: since, What: say("Weigh the charge of %s", next),
			Why: say("it is next for %s and has no mass yet", name), Sample: next, Link: "samples/" + next,
		})
		return
	}
	add(hand{
		Key: "charge/" + name + "/" + next, At: since, What: say("Charge %s with %s", name, next),
		Why: say("the drum is free and the sample is weighed"), Station: name, Sample: next,
	})
}

// expectedWords are what is to be looked and listened for.
var expectedWords = map[pb.MarkKind]string{
	pb.MarkKind_MARK_KIND_YELLOWING:   "Watch for yellowing on %s",
	pb.MarkKind_MARK_KIND_FIRST_CRACK: "Listen for first crack on %s",
	pb.MarkKind_MARK_KIND_DROP:        "Drop %s",
}

// handsForSamples are what samples need whose roast is over.
func (b *bench) handsForSamples(now time.Time, add func(hand)) {
	for _, code := range sortedKeys(b.records) {
		rec := b.records[code]
		if len(rec.GetRoasts()) == 0 {
			continue
		}
		r := rec.GetRoasts()[len(rec.GetRoasts())-1]
		drop := markOf(r, pb.MarkKind_MARK_KIND_DROP)
		if r.GetState() != pb.RoastState_ROAST_STATE_DROPPED || drop == nil {
			continue
		}
		dropped := drop.GetAt().AsTime()
		if now.Sub(dropped) > colourUntil {
			continue
		}
		if measured(rec, "roasted_mass", r.GetRoast()) == nil {
			add(hand{
				Key: "weigh-out/" + r.GetRoast(), At: dropped.Add(coolingTime), What: say("Weigh out %s", code),
				Why: say("dropped from %s and not weighed", r.GetStation()), Station: r.GetStation(), Sample: code, Link: "samples/" + code,
			})
			continue
		}
		if b.readsColour && measured(rec, "colour_ground", r.GetRoast()) == nil && measured(rec, "colour_whole", r.GetRoast()) == nil {
			add(hand{
				Key: "colour/" + r.GetRoast(), At: dropped.Add(restBeforeColour), What: say("Read the colour of %s", code),
				Why: say("rested 30 min since the drop; to be read within 4 h"), Sample: code, Link: "samples/" + code,
			})
		}
	}
}

func markOf(r *pb.Roast, kind pb.MarkKind) *pb.Mark {
	for _, m := range r.GetMarks() {
		if m.GetKind() == kind {
			return m
		}
	}
	return nil
}

// handsForReadings are readings of no sample, and what the hub has flagged.
func (b *bench) handsForReadings(now time.Time, add func(hand)) {
	for _, l := range b.loose {
		at := l.GetAt().AsTime()
		if now.Sub(at) > looseFor {
			continue
		}
		h := hand{
			Key: "loose/" + l.GetInstrument() + "/" + l.GetRun() + "/" + itoa(l.GetNumber()), At: at, Station: l.GetStation(),
			What: say("Say whose reading this is: %s", valueOf(l.Measurement)), Why: say("no sample lay on %s: scan it there, or assign the reading", l.GetStation()),
			Link: "loose#n" + itoa(l.cursor),
		}
		add(h)
	}
	for _, o := range b.orphans {
		if at := o.GetChargedAt().AsTime(); now.Sub(at) <= looseFor {
			add(hand{
				Key: "roast/" + o.GetRoast(), At: at, Station: o.GetStation(), What: say("Say whose roast this is: %s on %s", o.GetRoast(), o.GetStation()),
				Why: say("nobody was in the queue when it was charged"), Link: "loose#" + o.GetRoast(),
			})
		}
	}
	for _, f := range b.flags {
		if now.Sub(f.at) > flagsFor || f.GetCode() == pb.FlagCode_FLAG_CODE_UNASSIGNED {
			continue // what is unassigned is called for itself, as long as it is
		}
		h := hand{
			Key: "flag/" + itoa(f.cursor), At: f.at, What: say("Look: %s", word(flagWords(f.GetCode()))), Why: phrase{Said: f.GetText()},
			Station: f.GetStation(), Sample: f.GetSample(), Flag: f.cursor,
		}
		if f.GetSample() != "" {
			h.Link = "samples/" + f.GetSample()
		}
		add(h)
	}
}

// handsForInstruments are what the instruments and the hub itself need.
func (b *bench) handsForInstruments(now time.Time, add func(hand)) {
	for _, c := range b.concerns {
		at := now
		name := instrumentOf(c.GetPart())
		if st := b.instruments[name]; st != nil && st.GetSince() != nil {
			at = st.GetSince().AsTime()
		}
		h := hand{Key: "concern/" + c.GetPart(), At: at, What: say("See to the record"), Why: phrase{Said: c.GetText()}}
		if name != "" {
			h.What, h.Link = say("See to %s", name), "instruments#"+name
		}
		add(h)
	}
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// station returns how a station is; nil if there is none of that name.
func (b *bench) station(name string) *pb.StationStatus {
	for _, s := range b.stations {
		if s.GetStation().GetName() == name {
			return s
		}
	}
	return nil
}
