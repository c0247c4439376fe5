package ledger

import "sync"

// visits lets a goroutine of its own visit what has been checked, while what follows is
// being read and checked.
type visits struct {
	visit  func(Stored) error
	chunk  chunk // that is being gathered
	chunks chan chunk
	spent  chan chunk
	under  sync.WaitGroup // chunks that are being visited

	mu  sync.Mutex
	err error
}

// chunk is entries, and the memory that they lie in.
type chunk struct {
	entries []Stored
	space   space
}

// chunksAhead bounds the memory for what has been checked and not visited: each is a
// block.
const chunksAhead = 1

func newVisits(visit func(Stored) error) *visits {
	v := &visits{visit: visit, chunks: make(chan chunk, chunksAhead), spent: make(chan chunk, chunksAhead+2)}
	for range chunksAhead + 1 {
		v.spent <- chunk{}
	}
	go v.run()
	return v
}

func (v *visits) run() {
	for c := range v.chunks {
		for _, s := range c.entries {
			if v.failed() != nil {
				break
			}
			if err := v.visit(s); err != nil {
				v.mu.Lock()
				v.err = err
				v.mu.Unlock()
			}
		}
		clear(c.entries)
		c.entries = c.entries[:0]
		v.spent <- c
		v.under.Done()
	}
}

func (v *visits) failed() error {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.err
}

// add gathers an entry.
func (v *visits) add(s Stored) { v.chunk.entries = append(v.chunk.entries, s) }

// fill hands over what was gathered once that is enough; it lies in memory of its own.
func (v *visits) fill() error {
	if len(v.chunk.entries) < fullChunk {
		return nil
	}
	_, err := v.next(space{})
	return err
}

// fullChunk is how many entries that lie in no block are handed over at once.
const fullChunk = 1000

// next hands over what was gathered with the memory that it lies in, and returns memory
// to go on with.
func (v *visits) next(filled space) (space, error) {
	v.chunk.space = filled
	v.under.Add(1)
	v.chunks <- v.chunk
	v.chunk = <-v.spent
	free := v.chunk.space
	v.chunk.space = space{}
	return free, v.failed()
}

// flush hands over what was gathered, waits until everything has been visited, and
// returns the error that ended it.
func (v *visits) flush(filled space) error {
	_, err := v.next(filled)
	v.under.Wait()
	if err == nil {
		err = v.failed()
	}
	return err
}

// close ends the goroutine.
func (v *visits) close() {
	v.under.Wait()
	close(v.chunks)
}
