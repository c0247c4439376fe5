// Package panel plans blind cuppings and says what a panel's scores are worth: what cups
// are called and in which order they are tasted, how a form makes a score, how far
// assessors agree, and which lots the panel can tell from each other.
//
// Nothing is made up for what is missing: a cup that was not tasted has no score, one
// assessor shows no agreement, and lots that the panel cannot tell apart are tied.
package panel

import (
	"fmt"
	"slices"

	"github.com/evenbench/evenbench/internal/order"
)

// Code is what a cup is called while nobody may know what is in it: 100 to 999.
type Code int

const (
	lowestCode  Code = 100
	highestCode Code = 999
)

// Seed of a session: what is drawn from it is as secret as it is. Codes and orders are
// drawn from streams that tell nothing of each other, so that the orders, which everybody
// may see, do not tell which code went to which lot.
type Seed [32]byte

// Streams of random numbers of a session, apart from those of other uses of a seed.
const (
	codeStream uint64 = 101 + iota
	orderStream
	drawStream
	doubleStream
)

// Codes returns n different random codes, none of which is to be avoided, such as those
// of the sessions before. The same seed gives the same codes; who knows it knows them.
//
// It is an error if there are not so many codes left, or n is negative.
func Codes(n int, seed Seed, avoid []Code) ([]Code, error) {
	var free []Code
	for c := lowestCode; c <= highestCode; c++ {
		if !slices.Contains(avoid, c) {
			free = append(free, c)
		}
	}
	if n < 0 || n > len(free) {
		return nil, fmt.Errorf("draw %d codes of three digits: 0 to %d can be drawn when %d are avoided", n, len(free), len(avoid))
	}
	codes := make([]Code, n)
	for i, k := range order.Shuffled(len(free), order.Secret(seed, codeStream))[:n] {
		codes[i] = free[k]
	}
	return codes, nil
}
