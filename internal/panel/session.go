package panel

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/order"
)

// Setting is what a session is planned from.
type Setting struct {
	Assessors []string
	Lots      []Lot
	// Doubles is how many lots are served a second time under another code, as far as the
	// assessors know another lot: they show how well each repeats a score. Which they are
	// is drawn.
	Doubles int
	// Labels are the codes that are on the cups already, one for each; nil: codes are
	// drawn, none of Avoid, such as those of the session before.
	Labels []Code
	Avoid  []Code
	Seed   Seed
}

// Lot is what is to be cupped, and the roast of it; empty if that has no name.
type Lot struct {
	Name, Roast string
}

// Cup is what a code stands for. It is kept from the assessors until all scores are in.
type Cup struct {
	Code Code
	Lot  string
	// Roast of the lot; empty if it has no name.
	Roast string
	// Copy is 0, and 1 for the second serving of a lot.
	Copy int
}

// Serving is the order in which one assessor tastes.
type Serving struct {
	Assessor string
	Codes    []Code
}

// Session is a planned cupping.
type Session struct {
	// Cups by rising codes, which says nothing of the lots.
	Cups []Cup
	// Servings in the order in which the assessors were named.
	Servings []Serving
}

// Plan plans a session: a code for every cup, and for every assessor an order from a
// shuffled Williams design (package order), so that no cup gains from its place or from
// what is tasted before it. The same setting gives the same session.
//
// It is an error if there is no assessor or lot, if a name is empty or given twice, if more
// lots are to be served twice than there are, or if codes collide, cannot be, or are not
// enough.
func Plan(s Setting) (Session, error) {
	const doing = "plan a cupping"
	var lots []string
	for _, l := range s.Lots {
		lots = append(lots, l.Name)
	}
	for _, list := range []struct {
		what  string
		names []string
	}{{"assessor", s.Assessors}, {"lot", lots}} {
		if len(list.names) == 0 {
			return Session{}, fmt.Errorf("%s: no %s is named", doing, list.what)
		}
		for i, name := range list.names {
			if name == "" || slices.Contains(list.names[:i], name) {
				return Session{}, fmt.Errorf("%s: %s %d is %q; name each once", doing, list.what, i+1, name)
			}
		}
	}
	if s.Doubles < 0 || s.Doubles > len(s.Lots) {
		return Session{}, fmt.Errorf("%s: %d lots are to be served twice, of %d", doing, s.Doubles, len(s.Lots))
	}
	var cups []Cup
	for _, lot := range s.Lots {
		cups = append(cups, Cup{Lot: lot.Name, Roast: lot.Roast})
	}
	for _, k := range order.Shuffled(len(s.Lots), order.Secret(s.Seed, doubleStream))[:s.Doubles] {
		cups = append(cups, Cup{Lot: s.Lots[k].Name, Roast: s.Lots[k].Roast, Copy: 1})
	}
	codes, err := s.codes(len(cups))
	if err != nil {
		return Session{}, fmt.Errorf("%s: %w", doing, err)
	}
	for i := range cups {
		cups[i].Code = codes[i]
	}
	slices.SortFunc(cups, func(a, b Cup) int { return cmp.Compare(a.Code, b.Code) })
	rows, err := order.Rows(len(cups), len(s.Assessors), order.Secret(s.Seed, orderStream))
	if err != nil {
		return Session{}, fmt.Errorf("%s: %w", doing, err)
	}
	session := Session{Cups: cups}
	for i, row := range rows {
		serving := Serving{Assessor: s.Assessors[i]}
		for _, k := range row {
			serving.Codes = append(serving.Codes, cups[k].Code)
		}
		session.Servings = append(session.Servings, serving)
	}
	return session, nil
}

// codes returns a code for each of n cups, in random order.
func (s Setting) codes(n int) ([]Code, error) {
	if len(s.Labels) == 0 {
		return Codes(n, s.Seed, s.Avoid)
	}
	if len(s.Labels) != n {
		return nil, fmt.Errorf("%d codes are given for %d cups, with those that are served twice; give one for each", len(s.Labels), n)
	}
	for i, c := range s.Labels {
		switch {
		case c < lowestCode || c > highestCode:
			return nil, fmt.Errorf("code %d has not three digits; give 100 to 999", c)
		case slices.Contains(s.Labels[:i], c):
			return nil, fmt.Errorf("code %d is on two cups; give each its own", c)
		case slices.Contains(s.Avoid, c):
			return nil, fmt.Errorf("code %d is of another session that is not closed; give another one", c)
		}
	}
	codes := make([]Code, n)
	for i, k := range order.Shuffled(n, order.Secret(s.Seed, codeStream)) {
		codes[i] = s.Labels[k]
	}
	return codes, nil
}

// Ballot is what an assessor says of a cup.
type Ballot struct {
	Assessor string
	Code     Code
	Score    float64
	// Absent says why there is no score, such as "cup spilled"; empty where there is.
	Absent string
}

// Score is a score of a lot, once it is known which lot it was.
type Score struct {
	Assessor, Lot string
	Copy          int
	Value         float64
}

// Reveal says which lots the scores are of. It does so only when all is in: every
// assessor has given a score for every cup of the own serving, or said why not.
//
// It is an error if a ballot is lacking, if one is of nobody's cup, or if there are two
// of one assessor and cup.
func (s Session) Reveal(ballots []Ballot) ([]Score, error) {
	const doing = "reveal the lots"
	type of struct {
		assessor string
		code     Code
	}
	cast := map[of]Ballot{}
	for _, b := range ballots {
		at := of{b.Assessor, b.Code}
		if _, twice := cast[at]; twice {
			return nil, fmt.Errorf("%s: %s has two ballots for cup %d; settle which one counts", doing, b.Assessor, b.Code)
		}
		cast[at] = b
	}
	lots := map[Code]Cup{}
	for _, c := range s.Cups {
		lots[c.Code] = c
	}
	var scores []Score
	var lacking []string
	for _, serving := range s.Servings {
		for _, code := range serving.Codes {
			b, ok := cast[of{serving.Assessor, code}]
			delete(cast, of{serving.Assessor, code})
			switch {
			case !ok:
				lacking = append(lacking, fmt.Sprintf("%s for cup %d", serving.Assessor, code))
			case b.Absent == "":
				scores = append(scores, Score{Assessor: serving.Assessor, Lot: lots[code].Lot, Copy: lots[code].Copy, Value: b.Score})
			}
		}
	}
	for _, b := range ballots {
		if _, left := cast[of{b.Assessor, b.Code}]; left {
			return nil, fmt.Errorf("%s: %s has a ballot for cup %d, which is not in that serving", doing, b.Assessor, b.Code)
		}
	}
	if len(lacking) > 0 {
		return nil, fmt.Errorf("%s: %d ballots are lacking (%s); wait for them, or say why there is no score", doing, len(lacking), few(lacking))
	}
	return scores, nil
}

// few lists the first of many.
func few(list []string) string {
	if len(list) > 5 {
		list = append(slices.Clone(list[:5]), "…")
	}
	return strings.Join(list, ", ")
}
