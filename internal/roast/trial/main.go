// Command trial tries the roast tracker on simulated drums, whose truth is known,
// and prints how far off it was:
//
//	go run ./internal/roast/trial [-roasts 500] [-hours 24] [-seed 1]
package main

import (
	"flag"
	"fmt"
	"os"
	"time"
)

func main() {
	n := flag.Int("roasts", 500, "roasts to simulate, two by two in a drum")
	hours := flag.Int("hours", 24, "hours of idle and handling to simulate")
	seed := flag.Uint64("seed", 1, "first seed")
	verbose := flag.Bool("v", false, "name each roast that was missed or misjudged")
	flag.Parse()
	fmt.Println("probes          mark               found   median    worst    within limit  delay: median    worst")
	for _, air := range []bool{true, false} {
		s := tryRoasts(*seed, *n, air)
		s.print(os.Stdout, name(air))
		if *verbose {
			for _, m := range s.misses {
				fmt.Println("   ", m)
			}
		}
	}
	fmt.Println()
	for _, air := range []bool{true, false} {
		var found int
		for h := range *hours {
			for _, e := range handling(*seed+uint64(h), time.Hour, air) {
				found++
				if *verbose {
					fmt.Printf("    seed %d: %+v\n", *seed+uint64(h), e)
				}
			}
		}
		fmt.Printf("%-15s idle and handling, %d h: %d false events\n", name(air), *hours, found)
	}
}

func name(air bool) string {
	if air {
		return "bean, drum air"
	}
	return "bean alone"
}
