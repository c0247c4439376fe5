package roast_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const good = pb.Quality_QUALITY_GOOD

// wantEvents compares what was found with what was meant, within seconds.
func wantEvents(t *testing.T, got []roast.Event, want ...roast.Event) {
	t.Helper()
	ok := len(got) == len(want)
	for i := range want {
		limit := 2.0
		switch want[i].What {
		case roast.Turned:
			limit = 4
		case roast.Aborted:
			limit = math.Inf(1)
		}
		ok = ok && got[i].What == want[i].What && math.Abs(got[i].At-want[i].At) <= limit && strings.Contains(got[i].Reason, want[i].Reason)
	}
	if ok {
		return
	}
	var text strings.Builder
	for _, e := range got {
		fmt.Fprintf(&text, "\n\t%v at %.1f found %.1f %s %s", e.What, e.At, e.Found, e.Method, e.Reason)
	}
	t.Errorf("found%s\nwant %+v", text.String(), want)
}

func charged(at float64) roast.Event { return roast.Event{What: roast.Charged, At: at} }
func dropped(at float64) roast.Event { return roast.Event{What: roast.Dropped, At: at} }
func turned(charge float64) roast.Event {
	return roast.Event{What: roast.Turned, At: charge + turnAfter(18)}
}
func aborted(why string) roast.Event { return roast.Event{What: roast.Aborted, Reason: why} }

// turnAfter is when a noiseless probe of a lag is lowest after a charge at 200 °C.
func turnAfter(lag float64) float64 {
	probe, lowest, at := 200.0, math.Inf(1), 0.0
	for since := 0.0; since < 200; since += 0.01 {
		probe += 0.01 * (beans(since) - probe) / lag
		if probe < lowest {
			lowest, at = probe, since
		}
	}
	return at
}

func TestTracker(t *testing.T) {
	for _, c := range []struct {
		name string
		drum func(*drum)
		want []roast.Event
	}{
		{"one roast", func(d *drum) { d.preheat(120).roast(600).drop() }, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"one roast, bean probe alone", func(d *drum) { d.noDrumAir = true; d.preheat(120).roast(600).drop() }, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"two in a row", func(d *drum) { d.preheat(120).roast(600).drop().roast(500).drop() }, []roast.Event{charged(120), turned(120), dropped(720), charged(810), turned(810), dropped(1310)}},
		{"two in a row, half a reading a second", func(d *drum) { d.every = 2; d.preheat(120).roast(600).drop().roast(500).drop() }, []roast.Event{charged(120), turned(120), dropped(720), charged(810), turned(810), dropped(1310)}},
		{"ten readings a second", func(d *drum) { d.every = 0.1; d.preheat(120).roast(600).drop() }, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"noisy probe", func(d *drum) { d.noise = 0.6; d.preheat(120).roast(600).drop() }, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"thin probe, few beans", func(d *drum) {
			d.lag = 2.5
			d.preheat(120).pass(600, fewBeans, cooled).drop()
		}, []roast.Event{charged(120), {What: roast.Turned, At: 129}, dropped(720)}},
		{"thin probe, few beans, bean probe alone", func(d *drum) {
			d.lag, d.noDrumAir = 2.5, true
			d.preheat(120).pass(600, fewBeans, cooled).drop()
		}, []roast.Event{charged(120), {What: roast.Turned, At: 129}, dropped(720)}},
		{"thin probe that reads 8 K low", func(d *drum) {
			d.lag = 2.5
			d.preheat(120).pass(600, func(s float64) float64 { return fewBeans(s) - 8 }, cooled).drop()
		}, []roast.Event{charged(120), {What: roast.Turned, At: 129}, dropped(720)}},
		{"thin probe lifted", func(d *drum) {
			d.lag = 2.5
			for s := 4.0; s < 60; s *= 1.5 {
				d.preheat(120).lift(s)
			}
		}, nil},
		{"thin probe lifted, bean probe alone", func(d *drum) {
			d.lag, d.noDrumAir = 2.5, true
			for s := 4.0; s < 60; s *= 1.5 {
				d.preheat(120).lift(s)
			}
		}, nil},
		{"dropout over the charge", func(d *drum) {
			d.missingFrom, d.missingTo = 110, 130
			d.preheat(120).roast(600).drop()
		}, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"preheat only", func(d *drum) { d.preheat(3600) }, nil},
		{"preheat from cold", func(d *drum) { d.bean = 20; d.air = 20; d.preheat(1800) }, nil},
		{"preheat that wanders", func(d *drum) {
			d.pass(3600, func(s float64) float64 { return 200 + 12*math.Sin(s/40) }, func(s float64) float64 { return 205 + 15*math.Sin(s/40) })
		}, nil},
		{"probe lifted for 5 s", func(d *drum) { d.preheat(120).lift(5) }, nil},
		{"probe lifted for 20 s", func(d *drum) { d.preheat(120).lift(20) }, nil},
		{"probe lifted for 5 min", func(d *drum) { d.preheat(120).lift(300) }, nil},
		{"probe lifted, bean probe alone", func(d *drum) { d.noDrumAir = true; d.preheat(120).lift(20).lift(300) }, nil},
		{"door open for 10 s", func(d *drum) { d.preheat(120).door(10) }, nil},
		{"door open for 3 min", func(d *drum) { d.preheat(120).door(180) }, nil},
		{"door open, bean probe alone", func(d *drum) { d.noDrumAir = true; d.preheat(120).door(10).door(180) }, nil},
		{"probe lifted and door open", func(d *drum) { d.preheat(120).pass(90, constant(22), constant(128)).preheat(120) }, nil},
		{"sensor breaks and comes back colder", func(d *drum) {
			d.brokenFrom, d.brokenTo = 150, 180
			d.preheat(150).pass(100, constant(60), constant(205))
		}, nil},
		{"burner out at the end of the day", func(d *drum) {
			d.preheat(120).pass(3600, func(s float64) float64 { return 22 + 178*math.Exp(-s/600) }, func(s float64) float64 { return 22 + 183*math.Exp(-s/500) })
		}, nil},
		{"sensor breaks for a while mid-roast", func(d *drum) {
			d.brokenFrom, d.brokenTo = 400, 440
			d.preheat(120).roast(600).drop()
		}, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"sensor breaks at the drop", func(d *drum) {
			d.brokenFrom, d.brokenTo = 715, 760
			d.preheat(120).roast(600).drop().preheat(120)
		}, []roast.Event{charged(120), turned(120), {What: roast.Dropped, At: 714}}},
		{"probe lifted mid-roast for 10 s", func(d *drum) {
			d.preheat(120).roast(300)
			at := d.bean
			d.pass(10, constant(22), func(s float64) float64 { return cooled(300 + s) })
			d.pass(300, func(s float64) float64 { return at + (s+10)*12/60 }, func(s float64) float64 { return cooled(310 + s) }).drop()
		}, []roast.Event{charged(120), turned(120), dropped(730)}},
		{"another probe in the empty drum", func(d *drum) {
			for _, offset := range []float64{7, -7, 25, -25} {
				d.preheat(120).replace(40, offset, 8, constant(200), constant(205)).preheat(300)
			}
		}, nil},
		{"another probe mid-roast, which reads more", func(d *drum) {
			d.preheat(120).roast(300).replace(30, 5, 10, after(300, beans), after(300, cooled))
			d.pass(270, after(330, beans), after(330, cooled)).drop()
		}, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"another probe mid-roast, which reads less", func(d *drum) {
			d.preheat(120).roast(300).replace(30, -5, 10, after(300, beans), after(300, cooled))
			d.pass(270, after(330, beans), after(330, cooled)).drop()
		}, []roast.Event{charged(120), turned(120), dropped(720)}},
		{"beans taken out at once", func(d *drum) { d.preheat(120).roast(45).preheat(120) }, []roast.Event{charged(120), aborted("before it had turned")}},
		{"beans taken out, then charged again", func(d *drum) { d.preheat(120).roast(45).preheat(100).roast(600).drop() }, []roast.Event{charged(120), aborted("before it had turned"), charged(265), turned(265), dropped(865)}},
		{"beans taken out after two minutes", func(d *drum) { d.preheat(120).roast(120).drop() }, []roast.Event{charged(120), turned(120), aborted("after the charge")}},
		{"burner out during the roast", func(d *drum) {
			d.preheat(120).roast(200)
			at := d.bean
			d.pass(300, func(s float64) float64 { return at - s/60 }, constant(180))
		}, []roast.Event{charged(120), turned(120), aborted("not risen")}},
		{"never dropped", func(d *drum) { d.preheat(120).roast(2400) }, []roast.Event{charged(120), turned(120), aborted("without a drop")}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := newDrum()
			c.drum(d)
			wantEvents(t, feed(roast.NewTracker(), d.readings), c.want...)
		})
	}
}

// What an instrument does to readings must not matter.
func TestTrackerFaults(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(600).drop()
	want := []roast.Event{charged(120), turned(120), dropped(720)}
	for name, spoil := range map[string]func([]roast.Reading) []roast.Reading{
		"duplicate stamps": func(r []roast.Reading) []roast.Reading {
			var out []roast.Reading
			for _, x := range r {
				y := x
				y.Cel += 30
				out = append(out, x, y)
			}
			return out
		},
		"every 40th reading late": func(r []roast.Reading) []roast.Reading {
			for i := 40; i+2 < len(r); i += 40 {
				r[i], r[i+2] = r[i+2], r[i]
			}
			return r
		},
		"spikes": func(r []roast.Reading) []roast.Reading {
			for i := range r {
				switch i % 60 {
				case 20, 22: // two of one channel in a row
					r[i].Cel = 1372
				case 41:
					r[i].Cel = -200
				}
			}
			return r
		},
		"uneven stamps": func(r []roast.Reading) []roast.Reading {
			for i := range r {
				r[i].At += 0.22 * math.Sin(float64(i)*float64(i))
			}
			return r
		},
		"nothing for 5 s in every minute": func(r []roast.Reading) []roast.Reading {
			return slices.DeleteFunc(r, func(x roast.Reading) bool { return math.Mod(x.At+30, 60) < 5 })
		},
		"every third reading bad": func(r []roast.Reading) []roast.Reading {
			for i := 0; i < len(r); i += 3 {
				r[i].Cel, r[i].Quality = math.NaN(), pb.Quality_QUALITY_BAD
			}
			return r
		},
		"bad readings with plausible values": func(r []roast.Reading) []roast.Reading {
			for i := 0; i < len(r); i += 3 {
				r[i].Cel, r[i].Quality = 20, pb.Quality_QUALITY_BAD
			}
			return r
		},
		"uncertain readings": func(r []roast.Reading) []roast.Reading {
			for i := range r {
				r[i].Quality = pb.Quality_QUALITY_UNCERTAIN
			}
			return r
		},
		"times from long ago": func(r []roast.Reading) []roast.Reading {
			return append([]roast.Reading{{Role: roast.Bean, At: -5e6, Cel: 20, Quality: good}}, r...)
		},
		"infinite times and values": func(r []roast.Reading) []roast.Reading {
			return append([]roast.Reading{
				{Role: roast.Bean, At: math.Inf(1), Cel: 20, Quality: good}, {Role: roast.Bean, At: math.NaN(), Cel: 20, Quality: good},
				{Role: roast.Bean, At: 1e300, Cel: 20, Quality: good}, {Role: roast.Bean, At: 0, Cel: math.Inf(-1), Quality: good},
				{Role: 99, At: 0, Cel: 1, Quality: good},
			}, r...)
		},
	} {
		t.Run(name, func(t *testing.T) {
			wantEvents(t, feed(roast.NewTracker(), spoil(slices.Clone(d.readings))), want...)
		})
	}
}

// A hub that starts again replays the stored readings and must find the same, at
// the same readings.
func TestTrackerReplayEqualsLive(t *testing.T) {
	d := newDrum()
	d.preheat(120).lift(15).roast(600).drop().roast(45).preheat(100)
	live := feed(roast.NewTracker(), d.readings)
	if len(live) != 5 {
		t.Fatalf("found %d events, want 5: %+v", len(live), live)
	}
	for _, cut := range []int{100, 500, 900, 1500, 2000} {
		again := roast.NewTracker()
		events := append(feed(again, d.readings[:cut]), feed(again, d.readings[cut:])...)
		if !slices.Equal(events, live) {
			t.Errorf("replayed in two parts, cut at %d: %+v, want %+v", cut, events, live)
		}
	}
}

// The drum air dips for a few seconds only, and has recovered before the bean probe
// has fallen far enough to be believed.
func TestChargeIsToldThoughTheAirRecovers(t *testing.T) {
	d := newDrum()
	d.preheat(120).pass(600, beans, func(s float64) float64 {
		if s < 4 {
			return 185
		}
		return 208
	}).drop()
	events := feed(roast.NewTracker(), d.readings)
	if len(events) == 0 || events[0].What != roast.Charged || events[0].Method != roast.MethodChargeAir || events[0].Delay() > 45 {
		t.Errorf("got %+v, want the charge by the drum air, within 45 s", events)
	}
}

func TestTrackerDelay(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(600).drop()
	for _, e := range feed(roast.NewTracker(), d.readings) {
		if e.Delay() <= 0 || e.Delay() > 45 {
			t.Errorf("%v found %.1f s after it was, want more than 0 and at most 45", e.What, e.Delay())
		}
	}
}

func TestTrackerAllocatesNothing(t *testing.T) {
	d := newDrum()
	d.preheat(3600)
	tracker := roast.NewTracker()
	i := 0
	if n := testing.AllocsPerRun(len(d.readings)-2, func() { tracker.Feed(d.readings[i]); i++ }); n != 0 {
		t.Errorf("a reading costs %v allocations, want 0", n)
	}
}

func TestTrackerRate(t *testing.T) {
	tracker := roast.NewTracker()
	if _, ok := tracker.Rate(); ok {
		t.Error("a rate without readings")
	}
	for at := 0.0; at < 60; at += 0.5 {
		tracker.Feed(roast.Reading{Role: roast.Bean, At: at, Cel: 150 + at*9/60, Quality: good})
	}
	r, ok := tracker.Rate()
	if !ok || math.Abs(r.PerMinute-9) > 1e-9 || math.Abs(r.At-(r.From+r.To)/2) > 0.26 {
		t.Errorf("rate %+v, %v; want 9 K/min for the middle of its window", r, ok)
	}
}

func FuzzTracker(f *testing.F) {
	f.Add([]byte("a seed of no meaning"), 1.0)
	f.Fuzz(func(t *testing.T, data []byte, scale float64) {
		tracker := roast.NewTracker()
		at, open := 0.0, false
		for i := 0; i+2 < len(data); i += 3 {
			at += scale * float64(int8(data[i]))
			r := roast.Reading{Role: roast.Role(data[i+1] % 4), At: at, Cel: float64(data[i+2]) * scale, Quality: pb.Quality(data[i+1] / 4 % 4)}
			for _, e := range tracker.Feed(r) {
				begins := e.What == roast.Charged
				if begins && open || !begins && !open {
					t.Fatalf("%v while roasting is %v", e.What, open)
				}
				open = e.What == roast.Charged || e.What == roast.Turned
				if e.At > e.Found || math.IsNaN(e.At) {
					t.Fatalf("%v at %v, found at %v", e.What, e.At, e.Found)
				}
			}
			if data[i] == 7 {
				_, _ = tracker.SetMark(pb.MarkKind(data[i+1]%10), at)
				open = tracker.Roasting()
			}
			if data[i] == 8 {
				_ = tracker.Withdraw(pb.MarkKind(data[i+1] % 10))
				open = tracker.Roasting()
			}
		}
	})
}

func BenchmarkTracker(b *testing.B) {
	for _, every := range []float64{0.1, 0.5, 2} {
		b.Run(fmt.Sprintf("every %v s", every), func(b *testing.B) {
			d := newDrum()
			d.every = every
			d.preheat(120).roast(600).drop().roast(600).drop()
			tracker := roast.NewTracker()
			span := d.now
			b.ReportAllocs()
			i, shift := 0, 0.0
			for b.Loop() {
				if i == len(d.readings) {
					i, shift = 0, shift+span
				}
				r := d.readings[i]
				r.At += shift
				tracker.Feed(r)
				i++
			}
		})
	}
}

func TestWords(t *testing.T) {
	for name, want := range map[string]roast.Role{"bean": roast.Bean, "drum_air": roast.DrumAir, "inlet_air": roast.InletAir} {
		if got, ok := roast.RoleOf(name); !ok || got != want {
			t.Errorf("role %q is %v, %v; want %v", name, got, ok, want)
		}
	}
	if r, ok := roast.RoleOf("chimney"); ok {
		t.Errorf("role of no roast is %v", r)
	}
	for what, want := range map[roast.What]pb.MarkKind{
		roast.Charged: pb.MarkKind_MARK_KIND_CHARGE, roast.Turned: pb.MarkKind_MARK_KIND_TURNING_POINT,
		roast.Dropped: pb.MarkKind_MARK_KIND_DROP, roast.Aborted: pb.MarkKind_MARK_KIND_UNSPECIFIED,
	} {
		if what.Mark() != want {
			t.Errorf("%v sets %v, want %v", what, what.Mark(), want)
		}
	}
}
