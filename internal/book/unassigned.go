package book

// Unassigned returns how many measurements belong to no sample, by instrument.
func (b *Book) Unassigned() map[string]int {
	list := map[string]int{}
	for key, r := range b.runs {
		for _, x := range r.measured {
			if x.sample == nil {
				list[key.instrument]++
			}
		}
	}
	return list
}
