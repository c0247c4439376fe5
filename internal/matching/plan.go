// Package matching shows how alike the drums of a lab roast: it plans a study of one
// reference coffee in every drum, tells each drum's offset from what came out, and
// watches the reference roasts of later days for drift. What it finds is said and never
// applied: offsets are suggestions.
package matching

import (
	"fmt"
	"slices"

	"github.com/evenbench/evenbench/internal/order"
)

// Block is what charges have in common that are compared with each other: the day, and
// the bag or lot of the reference coffee that they are drawn from.
type Block struct {
	Day, Lot string
}

// Charge is one roast of a study.
type Charge struct {
	Block
	// Round is the block's number and Place the order within it, both from 1.
	Round, Place int
	Drum         string
}

// planStream keeps a plan's random numbers apart from those of other uses of the seed.
const planStream = 1

// Plan plans a study. Every drum has one charge in every block, so that no drum is
// confounded with a day or a lot; within the blocks the drums take turns in rows of
// shuffled Williams designs (package order), so that over as many blocks as there are
// drums each comes once in every place. The same seed gives the same plan.
//
// It is an error if there are fewer than two drums or two blocks, or if a drum is named
// twice or not at all.
func Plan(drums []string, blocks []Block, seed uint64) ([]Charge, error) {
	const doing = "plan a study of drums"
	if len(drums) < 2 {
		return nil, fmt.Errorf("%s: %d drums cannot be compared; name at least 2", doing, len(drums))
	}
	if len(blocks) < 2 {
		return nil, fmt.Errorf("%s: with %d blocks nothing shows how roasts of one drum scatter; plan at least 2", doing, len(blocks))
	}
	for i, d := range drums {
		if d == "" || slices.Contains(drums[:i], d) {
			return nil, fmt.Errorf("%s: drum %d is %q; name each once", doing, i+1, d)
		}
	}
	sorted := slices.Sorted(slices.Values(drums)) // so that the order of naming changes nothing
	rows, err := order.Rows(len(sorted), len(blocks), order.Random(seed, planStream))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	var charges []Charge
	for round, row := range rows {
		for place, drum := range row {
			charges = append(charges, Charge{Block: blocks[round], Round: round + 1, Place: place + 1, Drum: sorted[drum]})
		}
	}
	return charges, nil
}
