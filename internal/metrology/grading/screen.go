// Package grading computes what the grading of green coffee counts and weighs: screen
// sizes, bulk density, equivalents of defects.
package grading

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// inch64 is a 64th of an inch, mm. Screens are numbered by it: the holes of screen 18
// are 18/64 inch wide, 7.14375 mm.
const inch64 = 25.4 / 64

// largestScreen and largestMM bound what is taken for a screen: the holes of screen 32
// are half an inch.
const largestScreen = 32

// Opening returns the width of the holes of a screen, mm.
//
// It is an error if the number is not above 0 and at most 32.
func Opening(screen float64) (float64, error) {
	if !(screen > 0 && screen <= largestScreen) {
		return 0, fmt.Errorf("opening of a screen: the number is %g; it counts 64ths of an inch, above 0 and at most %d", screen, largestScreen)
	}
	return screen * inch64, nil
}

// ScreenOf returns the number of the screen whose holes are so wide, mm, which need not
// be whole: ISO 3310-2 has 7.1 mm, which is 17.9.
//
// It is an error if the width is not above 0 and at most 12.7 mm.
func ScreenOf(mm float64) (float64, error) {
	if !(mm > 0 && mm <= largestScreen*inch64) {
		return 0, fmt.Errorf("number of a screen: the opening is %g mm; it is above 0 and at most %g mm", mm, largestScreen*inch64)
	}
	return mm / inch64, nil
}

// Fraction is what one screen of a stack held, or the pan below it.
type Fraction struct {
	// Screen is its number; 0 is the pan.
	Screen float64
	Grams  float64
}

// Retained is one row of a screening.
type Retained struct {
	// Screen is the number, 0 the pan; MM the opening of its holes.
	Screen, MM float64
	// Share of the whole that it held, and Above: that it and all larger screens held,
	// %.
	Share, Above float64
}

// Screening is what a stack of screens says of a sample.
type Screening struct {
	// Grams is the mass of all fractions.
	Grams float64
	// Rows by falling screens, the pan last.
	Rows []Retained
	// Mean is the mean screen, as a number, and MeanMM as a width: each bean counts with
	// the screen that held it, by mass. What fell into the pan is not in it.
	Mean, MeanMM float64
}

// Screened sums up the fractions of a stack of screens, in any order.
//
// It is an error if there are none, if a screen is not above 0 and at most 32, or there
// twice, if a mass is not finite or below 0, or if no screen held anything.
func Screened(fractions []Fraction) (Screening, error) {
	const doing = "sum up a screening"
	sorted := slices.SortedFunc(slices.Values(fractions), func(a, b Fraction) int { return cmp.Compare(b.Screen, a.Screen) })
	total, held, moment := 0.0, 0.0, 0.0
	for i, f := range sorted {
		switch {
		case f.Screen != 0 && !(f.Screen > 0 && f.Screen <= largestScreen):
			return Screening{}, fmt.Errorf("%s: there is a screen %g; it counts 64ths of an inch, above 0 and at most %d, or is 0 for the pan", doing, f.Screen, largestScreen)
		case i > 0 && f.Screen == sorted[i-1].Screen:
			return Screening{}, fmt.Errorf("%s: screen %g is there twice: leave one out", doing, f.Screen)
		case !(f.Grams >= 0) || math.IsInf(f.Grams, 0):
			return Screening{}, fmt.Errorf("%s: screen %g held %g g; it must be finite and not below 0", doing, f.Screen, f.Grams)
		}
		total += f.Grams
		if f.Screen > 0 {
			held += f.Grams
			moment += f.Grams * f.Screen
		}
	}
	if !(held > 0) || math.IsInf(total, 0) {
		return Screening{}, fmt.Errorf("%s: the screens held %g g; it must be above 0 and finite", doing, held)
	}
	s := Screening{Grams: total, Mean: moment / held, MeanMM: moment / held * inch64}
	above := 0.0
	for _, f := range sorted {
		above += f.Grams
		s.Rows = append(s.Rows, Retained{Screen: f.Screen, MM: f.Screen * inch64, Share: 100 * f.Grams / total, Above: 100 * above / total})
	}
	return s, nil
}

// Above returns the share, %, that a screen and all larger ones held.
//
// It is an error if that screen was not in the stack: what lies between two screens is
// not known.
func (s Screening) Above(screen float64) (float64, error) {
	i := slices.IndexFunc(s.Rows, func(r Retained) bool { return r.Screen == screen })
	if i < 0 || screen == 0 {
		return 0, fmt.Errorf("share above screen %g: it was not in the stack: sieve again with it", screen)
	}
	return s.Rows[i].Above, nil
}
