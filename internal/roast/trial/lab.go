package main

import "math/rand/v2"

// lab is one kind of conditions that is tried.
type lab struct {
	name string
	// what says what is different, for the table.
	what string
	set  func(*conditions, *rand.Rand)
}

var labs = []lab{
	{"usual", "as said above", func(*conditions, *rand.Rand) {}},
	{"late stamps", "held up for up to 6 s every 20 s, each stamp up to 0.5 s late", func(c *conditions, _ *rand.Rand) { late(c) }},
	{"jittered stamps", "each stamp up to 2 s late for itself", func(c *conditions, _ *rand.Rand) { c.jitter = 2 }},
	{"coarse stamps", "whole multiples of 1 or 2 s", func(c *conditions, r *rand.Rand) { c.coarse = float64(1 + r.IntN(2)) }},
	{"thin probe", "bean probe of a lag of 2 to 6 s", func(c *conditions, r *rand.Rand) { c.character.BeanTau = between(r, 2, 6) }},
	{"few beans", "80 to 110 g", func(c *conditions, _ *rand.Rand) { c.lightest, c.heaviest = 80, 110 }},
	{"drop-outs", "1 to 25 s long, every 50 s", func(c *conditions, _ *rand.Rand) { c.dropoutEvery, c.dropoutLongest = 50, 25 }},
	{"thin, few, late", "a thin probe, few beans and late stamps", func(c *conditions, r *rand.Rand) {
		c.character.BeanTau = between(r, 2, 6)
		c.lightest, c.heaviest = 80, 110
		late(c)
	}},
}

func late(c *conditions) { c.stallEvery, c.stallLongest, c.jitter = 20, 6, 0.5 }
