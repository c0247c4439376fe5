// Command trial tries the roast tracker on simulated drums, whose truth is known,
// and prints how far off it was, as the tables of TABLE.md:
//
//	go run ./internal/roast/trial [-roasts 500] [-hours 100] [-seed 1] [-lab "late stamps"]
//	go run ./internal/roast/trial -foresee 50     # when marks are due, beside when they came
package main

import (
	"flag"
	"fmt"
	"os"
	"time"
)

func main() {
	n := flag.Int("roasts", 500, "roasts to simulate in each kind of lab, two by two in a drum")
	hours := flag.Int("hours", 100, "hours of idle and handling to simulate in each")
	seed := flag.Uint64("seed", 1, "first seed")
	only := flag.String("lab", "", "the one kind of lab to try")
	verbose := flag.Bool("v", false, "name each roast that was missed or misjudged")
	drums := flag.Int("foresee", 0, "instead, ask in so many drums of each lab, of 12 roasts each, when marks are due")
	flag.Parse()
	if *drums > 0 {
		printForesight(os.Stdout, *seed, *drums, *only)
		return
	}
	var read []string
	fmt.Println("| lab | probes | charges found | within 2 s | told after (median) | told within 45 s | turned | within 4 s | dropped | within 2 s | false in roasts | false per 1,000 h |")
	fmt.Println("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
	for _, l := range labs {
		for _, air := range []bool{true, false} {
			if *only != "" && *only != l.name {
				continue
			}
			s := tryRoasts(*seed, *n, l, air)
			found := 0
			for h := range *hours {
				for _, e := range handling(*seed+uint64(h), time.Hour, l, air) {
					found++
					s.miss("seed %d: handling: false %+v", *seed+uint64(h), e)
				}
			}
			fmt.Println(s.row(l, air, 1000*float64(found)/float64(*hours)))
			read = append(read, s.readRow(l, air))
			if *verbose {
				for _, m := range s.misses {
					fmt.Println("   ", m)
				}
			}
		}
	}
	fmt.Println("\nMarks round which the bean probe was read, and found within 2, 4 and 2 s:")
	fmt.Println("\n| lab | probes | charge | turning point | drop |\n| --- | --- | --- | --- | --- |")
	for _, line := range read {
		fmt.Println(line)
	}
}

func probes(air bool) string {
	if air {
		return "bean, drum air"
	}
	return "bean alone"
}
