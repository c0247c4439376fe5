// Package order makes the orders in which samples are cupped and drums are charged,
// so that neither the place in a row nor what came before favours one of them.
package order

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
)

// Most is the greatest number of things that are put in order.
const Most = 1000

// Williams returns a Williams design for n things, numbered from 0: rows in each of
// which every thing stands once, and which together have every thing equally often in
// every place, and equally often right behind every other one: once in the n rows of an
// even n, twice in the 2n rows of an odd one (E. J. Williams, Aust. J. Sci. Res. A 2
// (1949) 149). It is an error if n is not 1 to Most.
//
// The first row zigzags, 0 1 n−1 2 n−2 …, and each further one adds 1. For an odd n the
// other half of the rows are these backwards.
func Williams(n int) ([][]int, error) {
	if n < 1 || n > Most {
		return nil, fmt.Errorf("make a Williams design of %d: there may be 1 to %d things", n, Most)
	}
	first := make([]int, n)
	for place := 1; place < n; place++ {
		if place%2 == 1 {
			first[place] = (place + 1) / 2
		} else {
			first[place] = n - place/2
		}
	}
	rows := make([][]int, 0, 2*n)
	for add := range n {
		row := make([]int, n)
		for place, thing := range first {
			row[place] = (thing + add) % n
		}
		rows = append(rows, row)
	}
	if n%2 == 1 && n > 1 {
		for _, row := range rows[:n:n] {
			back := make([]int, n)
			for place, thing := range row {
				back[n-1-place] = thing
			}
			rows = append(rows, back)
		}
	}
	return rows, nil
}

// Rows returns so many rows for n things from Williams designs whose things and rows
// were put in random order: any whole design among them is balanced, and what is left
// over is as balanced as a part of one can be. Every design is shuffled anew.
//
// It is an error if n is not 1 to Most, or count is negative.
func Rows(n, count int, random *rand.Rand) ([][]int, error) {
	if count < 0 {
		return nil, fmt.Errorf("make %d rows of an order: the number is negative", count)
	}
	design, err := Williams(n)
	if err != nil {
		return nil, err
	}
	rows := make([][]int, 0, count)
	for len(rows) < count {
		name := Shuffled(n, random)
		for _, k := range halves(n, random) {
			if len(rows) == count {
				break
			}
			row := make([]int, n)
			for place, thing := range design[k] {
				row[place] = name[thing]
			}
			rows = append(rows, row)
		}
	}
	return rows, nil
}

// halves is a random order of a design's rows. For an odd n either half is balanced by
// place, so that one comes wholly before the other.
func halves(n int, random *rand.Rand) []int {
	if n%2 == 0 || n == 1 {
		return Shuffled(n, random)
	}
	order := make([]int, 0, 2*n)
	for _, half := range Shuffled(2, random) {
		for _, k := range Shuffled(n, random) {
			order = append(order, half*n+k)
		}
	}
	return order
}

// Random returns a source of random numbers that gives the same for the same seed. Uses
// keep streams of their own, by number, so that one does not change another.
func Random(seed, stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }

// Secret returns a source of random numbers that gives the same for the same seed. Whoever
// sees what was drawn from one stream learns nothing of what is drawn from another (ChaCha8,
// seeded with a hash of both), which is not so with Random.
func Secret(seed [32]byte, stream uint64) *rand.Rand {
	return rand.New(rand.NewChaCha8(sha256.Sum256(binary.BigEndian.AppendUint64(seed[:], stream))))
}

// Shuffled returns the numbers 0 to n−1 in random order.
func Shuffled(n int, random *rand.Rand) []int {
	out := make([]int, n)
	for i := range out {
		k := random.IntN(i + 1)
		out[i] = out[k]
		out[k] = i
	}
	return out
}
