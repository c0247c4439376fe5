package season

import (
	"cmp"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strconv"
	"time"

	"github.com/evenbench/evenbench/internal/matching"
	"github.com/evenbench/evenbench/internal/panel"
	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Outcome is what a season came to.
type Outcome struct {
	Seed uint64
	// Lots of the season, and roasts that were made of them, of which Again were made to
	// come nearer to the others.
	Lots, Roasts, Again int
	// Whatever is the ranking of every table by the first roast of each lot, Same that of
	// those lots alone that could be ranked by roasts that were alike, and Alike by those
	// roasts. Alone are lots that could not.
	Whatever, Same, Alike Ranking
	Alone                 int
	// Drums as the reference coffee shows them.
	Drums []Drum
}

// Ranking is how rankings of tables lie to the truth.
type Ranking struct {
	// Pairs of lots of one table, how many of them the mean scores have in the right
	// order, and how many the panel told apart, of which Wrong the wrong way round.
	Pairs, Right, Told, Wrong int
}

// Tau is Kendall's: 1 if all pairs are in the right order, 0 if half of them are.
func (r Ranking) Tau() float64 {
	if r.Pairs == 0 {
		return 0
	}
	return 2*float64(r.Right)/float64(r.Pairs) - 1
}

// Drum is how much dry matter a drum loses more than the mean of all, %: as it is, and as
// the study of the reference coffee finds it.
type Drum struct {
	Name                   string
	True, Found, Low, High float64
	Verdict                matching.Verdict
}

// Play plays a season. The same seed gives the same.
func Play(seed uint64) (Outcome, error) {
	l := &lab{notebook: newNotebook(time.Date(2026, time.March, 2, 7, 0, 0, 0, time.UTC)), random: rand.New(rand.NewPCG(seed, 11)), seed: seed}
	for range assessors {
		l.bias = append(l.bias, sdBias*l.random.NormFloat64())
	}
	out := Outcome{Seed: seed}
	var references []*lot
	for day := range days {
		l.now = time.Date(2026, time.March, 2+day+day/5*2, 7, 0, 0, 0, time.UTC)
		for i := range drums {
			x := &lot{code: fmt.Sprintf("R%02d-%d", day+1, i+1), moisture: 0.11, crack: drum.Crack, drum: i, roasts: map[string]drum.Truth{}}
			l.register(x.code, "reference", pb.SampleKind_SAMPLE_KIND_REFERENCE)
			if _, err := l.roast(x, i, development); err != nil {
				return out, err
			}
			references = append(references, x)
		}
		before := l.roasts
		lots, err := l.receive(day)
		if err != nil {
			return out, err
		}
		first := map[string]string{}
		for _, x := range lots {
			first[x.code] = x.first
		}
		if err := l.rank(lots, first, &out.Whatever); err != nil {
			return out, err
		}
		once := l.roasts
		answer, err := l.again(lots)
		if err != nil {
			return out, err
		}
		alike := map[string]string{}
		for _, m := range answer.GetGroups()[0].GetMembers() {
			alike[m.GetSample()] = m.GetRoast()
		}
		table := slices.DeleteFunc(slices.Clone(lots), func(x *lot) bool { return alike[x.code] == "" })
		if err := l.rank(table, first, &out.Same); err != nil {
			return out, err
		}
		if err := l.rank(table, alike, &out.Alike); err != nil {
			return out, err
		}
		out.Lots, out.Alone = out.Lots+len(lots), out.Alone+len(lots)-len(table)
		out.Again, out.Roasts = out.Again+l.roasts-once, out.Roasts+l.roasts-before
	}
	var err error
	out.Drums, err = l.matched(references)
	return out, err
}

// rank lets the panel score one roast of each lot and adds how its ranking lies to the
// truth.
func (l *lab) rank(lots []*lot, roasts map[string]string, into *Ranking) error {
	if len(lots) < 2 {
		return nil
	}
	var scores []panel.Score
	quality := map[string]float64{}
	for _, x := range lots {
		quality[x.code] = x.quality
		for a := range assessors {
			scores = append(scores, panel.Score{Assessor: "assessor " + strconv.Itoa(a+1), Lot: x.code, Value: l.score(a, x, roasts[x.code])})
		}
	}
	ranking, err := panel.Rank(scores, panel.Rules{Confidence: 0.95, Draws: 500, Seed: l.seed, Step: 0.25})
	if err != nil {
		return err
	}
	slices.SortFunc(ranking.Lots, func(a, b panel.Placed) int { return cmp.Or(cmp.Compare(b.Mean, a.Mean), cmp.Compare(a.Lot, b.Lot)) })
	for i, better := range ranking.Lots {
		for _, worse := range ranking.Lots[i+1:] {
			right := quality[better.Lot] > quality[worse.Lot]
			into.Pairs++
			if right {
				into.Right++
			}
			if !slices.Contains(better.Ties, worse.Lot) {
				into.Told++
				if !right {
					into.Wrong++
				}
			}
		}
	}
	return nil
}

// Write plays seasons of seeds from 1 on and writes their table as Markdown.
func Write(w io.Writer, seasons int) error {
	var list []Outcome
	for seed := range seasons {
		o, err := Play(uint64(seed + 1))
		if err != nil {
			return err
		}
		list = append(list, o)
	}
	return table(w, list)
}

func table(w io.Writer, list []Outcome) error {
	fmt.Fprintf(w, `# Two weeks against the truth

Written by `+"`go run ./server demo --season > internal/simlab/SEASON.md`"+`. Each season has %d
working days, %d lots a day, which %d assessors cup at one table, and four drums that do not
roast alike. How good each lot is, and what its roast took from its score, is known here and
nowhere else. Everything in it is invented: see the constants in `+"`season/season.go`"+`.

A pair of lots of one table is *in order* if the panel's mean scores have the better one in
front; tau is Kendall's. A pair is *told* if the panel tells the two apart (Tukey, 95 %%);
*wrongly* if it takes the worse for the better. *Whatever*: each lot by the one roast that
it had. *Alike*: by roasts that are alike, after those that were not were roasted again, as
the comparison says, %d times at most. *Same lots*: the lots of *alike*, by the first roasts.

| seed | roasts | of them again | lots | not alike | tau, whatever | tau, same lots | tau, alike | told wrongly, whatever | same lots | alike |
| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
`, days, lotsADay, assessors, mostAgain)
	var all Outcome
	for _, o := range list {
		row(w, strconv.FormatUint(o.Seed, 10), o)
		all.Roasts, all.Again, all.Lots, all.Alone = all.Roasts+o.Roasts, all.Again+o.Again, all.Lots+o.Lots, all.Alone+o.Alone
		all.Whatever, all.Same, all.Alike = all.Whatever.and(o.Whatever), all.Same.and(o.Same), all.Alike.and(o.Alike)
	}
	row(w, "all", all)
	fmt.Fprint(w, `
What the drums lose in dry matter more than their mean, % of it, by one roast of reference
coffee in each drum on each day, evaluated as a study of the drums. The interval is to hold
the true offset in 95 of 100.

| seed | drum | true | found | interval | within ± 0.7 |
| ---: | --- | ---: | ---: | ---: | --- |
`)
	held, n := 0, 0
	for _, o := range list {
		for _, d := range o.Drums {
			if n++; d.Low <= d.True && d.True <= d.High {
				held++
			}
			fmt.Fprintf(w, "| %d | %s | %+.2f | %+.2f | %+.2f … %+.2f | %s |\n", o.Seed, d.Name, d.True, d.Found, d.Low, d.High, d.Verdict)
		}
	}
	_, err := fmt.Fprintf(w, "\nThe intervals hold the true offset of %d in %d drums.\n", held, n)
	return err
}

func row(w io.Writer, seed string, o Outcome) {
	wrongly := func(r Ranking) string { return fmt.Sprintf("%d of %d", r.Wrong, r.Told) }
	fmt.Fprintf(w, "| %s | %d | %d | %d | %d | %.2f | %.2f | %.2f | %s | %s | %s |\n", seed, o.Roasts, o.Again, o.Lots, o.Alone,
		o.Whatever.Tau(), o.Same.Tau(), o.Alike.Tau(), wrongly(o.Whatever), wrongly(o.Same), wrongly(o.Alike))
}

func (r Ranking) and(o Ranking) Ranking {
	return Ranking{r.Pairs + o.Pairs, r.Right + o.Right, r.Told + o.Told, r.Wrong + o.Wrong}
}
