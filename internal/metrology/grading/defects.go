package grading

import (
	"fmt"
	"maps"
	"slices"
)

// DefectsSample is the mass of green coffee in which defects are counted, g.
const DefectsSample = 350

// Defect is a kind of defect of green beans.
type Defect string

// The kinds of defects, with how many make a full one.
const (
	FullBlack    Defect = "full_black"    // 1
	FullSour     Defect = "full_sour"     // 1
	Pod          Defect = "pod"           // 1, a dried cherry
	Fungus       Defect = "fungus"        // 1
	Foreign      Defect = "foreign"       // 1, such as a stone or a stick
	PartialBlack Defect = "partial_black" // 3
	PartialSour  Defect = "partial_sour"  // 3
	SevereInsect Defect = "severe_insect" // 5
	Parchment    Defect = "parchment"     // 5
	Floater      Defect = "floater"       // 5
	Immature     Defect = "immature"      // 5
	Withered     Defect = "withered"      // 5
	Shell        Defect = "shell"         // 5
	Broken       Defect = "broken"        // 5, also chipped or cut
	Hull         Defect = "hull"          // 5, also a husk
	SlightInsect Defect = "slight_insect" // 10
)

// perFull is how many of a kind make one full defect, by the published form for the
// grading of green arabica on 350 g.
var perFull = map[Defect]int{
	FullBlack: 1, FullSour: 1, Pod: 1, Fungus: 1, Foreign: 1,
	PartialBlack: 3, PartialSour: 3,
	SevereInsect: 5, Parchment: 5, Floater: 5, Immature: 5, Withered: 5, Shell: 5, Broken: 5, Hull: 5,
	SlightInsect: 10,
}

// Defects returns all kinds, sorted.
func Defects() []Defect { return slices.Sorted(maps.Keys(perFull)) }

// PerFull returns how many of a kind make one full defect.
//
// It is an error if there is no such kind.
func PerFull(kind Defect) (int, error) {
	n, ok := perFull[kind]
	if !ok {
		return 0, fmt.Errorf("equivalent of a defect: there is no kind %q: write one of %v", kind, Defects())
	}
	return n, nil
}

// FullDefects returns how many full defects the beans of DefectsSample amount to: of
// each kind the whole ones, rounded down, so that 7 partly black beans are 2 and 9 with
// slight damage by insects are none. A bean counts once, for its worst defect.
//
// It is an error if there is no such kind, or a count is below 0.
func FullDefects(found map[Defect]int) (int, error) {
	full := 0
	for _, kind := range slices.Sorted(maps.Keys(found)) {
		n, err := PerFull(kind)
		if err != nil {
			return 0, err
		}
		if found[kind] < 0 {
			return 0, fmt.Errorf("full defects: the count of %s is %d; it is 0 or more", kind, found[kind])
		}
		full += found[kind] / n
	}
	return full, nil
}
