package main

// rounds says in which order n ways are measured, a round for each repeat: every way
// once in each round, so that what the machine does meanwhile meets all of them, and
// each way in another place than the round before. The first of the first round is 0,
// the hub: the limits are measured with what it stored.
func rounds(n, repeats int) [][]int {
	list := make([][]int, repeats)
	for r := range list {
		for i := range n {
			list[r] = append(list[r], (i+r)%n)
		}
	}
	return list
}
