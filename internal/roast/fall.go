package roast

import "math"

const (
	// lookBack is how far back a fall may have begun when it is noticed, s.
	lookBack = 10
	// longestGap in the readings that a fall is looked for across, s.
	longestGap = 40
	// baseSeconds of the course before a fall are its base, or baseLongest where
	// points are missing; at least baseLeast of them must be there.
	baseSeconds, baseLongest, baseLeast = 25, 75, 10
	// A base is steady if it falls no faster and rises no faster than this, K/s,
	// and spreads no more about its line than this, K. A drum that heats up again
	// between two roasts is steady; a probe that is still falling is not.
	steadiestFall, steepestRise, steadySpread = -0.4, 2, 2.5
	// airLag is how long the drum air may take to begin to answer, s.
	airLag = 2
	// newestSeconds of points stand for "now" where one point would be noisy.
	newestSeconds = 3
)

// fall is the bean probe leaving a steady course downwards. What it means is not
// known yet.
type fall struct {
	open bool
	// base is the course before, and level its value where the fall began.
	base  line
	level float64
	// onset is when it began; refined when there are points enough.
	onset float64
	// first is the first point that has clearly fallen; in a dropout it can be long
	// after the onset, which is not known well until points enough have come.
	first   float64
	refined bool
	sharp   bool  // it was deep soon
	low     point // the lowest point since
	air     line  // course of the drum air before
	airSeen bool
	// airDip is how far the drum air has fallen at most since the onset, K. The
	// burner makes good in seconds what a few cold beans take.
	airDip float64
	// rest and restMost are where the fall would come to rest, degree Celsius, at
	// least and at most, as the points up to the lowest tell; NaN until they do.
	rest, restMost float64
	hits           int // points in a row that say what it is
	warming        float64
}

// notice looks whether the newest bean point lies at least depth (K) under a
// steady course that was there a moment ago, not before the last roast ended.
func (t *Tracker) notice(depth, warming float64) (fall, bool) {
	now := t.bean.back(0)
	// In a dropout the course may be longer ago than lookBack, but not by much.
	top := now
	for i := 1; i < t.bean.n; i++ {
		p := t.bean.back(i)
		if p.at < t.since || now.at-p.at > lookBack && i > 2 || now.at-p.at > longestGap {
			break
		}
		if p.cel > top.cel {
			top = p
		}
	}
	if top.cel-now.cel < depth {
		return fall{}, false
	}
	from := max(t.since, top.at-baseSeconds)
	if top.at-from < baseLeast {
		return fall{}, false
	}
	base, ok := t.bean.line(from, top.at)
	if !ok { // there was a dropout
		base, ok = t.bean.line(max(t.since, top.at-baseLongest), top.at)
	}
	if !ok || base.slope < steadiestFall || base.slope > steepestRise || base.spread > steadySpread {
		return fall{}, false
	}
	f := fall{open: true, base: base, low: now, warming: warming, rest: math.NaN(), restMost: math.NaN()}
	f.locate(&t.bean, now.at)
	if f.air, f.airSeen = t.air.line(f.onset-baseSeconds, f.onset); !f.airSeen {
		f.air, f.airSeen = t.air.line(f.onset-baseLongest, f.onset)
	}
	return f, true
}

// follow brings the fall up to date with the newest point.
func (f *fall) follow(bean *ring) {
	now := bean.back(0)
	if now.cel < f.low.cel {
		f.low = now
	}
	// Of what happened in a dropout, the first point after it tells.
	if bean.back(1).at <= f.first+sharpSeconds && f.depth(now) >= chargeDepth {
		f.sharp = true
	}
	if !f.refined && now.at >= f.first+onsetAfter && bean.after(f.first) >= onsetPoints {
		f.locate(bean, now.at)
		f.refined = true
	}
}

// depth is how far under its level the newest point is, K.
func (f *fall) depth(now point) float64 { return f.level - now.cel }

// ask asks the drum air and the bend of the fall, and keeps what they answer: a
// moment later the air may have recovered, and the probe turned.
func (f *fall) ask(bean, air *ring) {
	now := bean.back(0)
	if depth, ok := f.airDepth(air, now.at); ok {
		f.airDip = max(f.airDip, depth)
	}
	if f.refined && now.cel <= f.low.cel+turnRise {
		if cel, u, ok := f.bend(bean); ok {
			f.rest, f.restMost = cel-2*u, cel+2*u
		}
	}
}

// airDepth is how far the drum air has fallen since the onset, K; false if there
// is no drum air to tell.
func (f *fall) airDepth(air *ring, at float64) (float64, bool) {
	if !f.airSeen {
		return 0, false
	}
	now, ok := air.mean(max(at-newestSeconds, f.onset+airLag), at)
	// Air that was cooling anyway would have gone on to.
	expected := f.air.value(f.onset) + min(0, f.air.slope)*(at-f.onset)
	return expected - now, ok
}

const (
	// onsetAfter and onsetBefore are the points that tell where a fall began, s
	// after and before it; at least onsetPoints of them after it.
	onsetAfter, onsetBefore, onsetPoints = 10, 8, 4
	// A point has clearly fallen if it lies this far under the base, K, and this
	// share of the fall.
	clearFall, clearShare = 1.5, 0.1
	// onsetSearch is how far before the last point that has not clearly fallen
	// the onset may be, and onsetStep how finely it is looked for, s.
	onsetSearch, onsetStep = 6, 0.1
)

// lags are the time constants that a fall is tried with, s: those of thin to thick
// probes.
var lags = [...]float64{3, 4.5, 7, 10, 15, 22, 33, 50}

// locate finds when the fall began, from the points up to a time: the moment s at
// which they fit best to the base before s, and after it to the base less what a
// probe of a first-order lag τ falls by that suddenly touches something D colder,
// which warms by the share warming of D each second: D·(φ − warming·(u − τ·φ))
// with u = t − s and φ = 1 − exp(−u/τ).
func (f *fall) locate(bean *ring, until float64) {
	youngest, _ := bean.between(math.Inf(-1), until)
	depth := func(i int) float64 { return f.base.value(bean.back(i).at) - bean.back(i).cel }
	// Back to the last point that has not clearly fallen: the onset is near it, or
	// in the gap after it.
	clear := max(clearFall, 4*f.base.spread, clearShare*depth(youngest))
	i := youngest
	for i+1 < bean.n && depth(i) > clear {
		i++
	}
	first := bean.back(max(i-1, youngest)).at
	from := max(bean.back(i).at, first-longestGap) - onsetSearch
	kink := kink{reference: first, warming: f.warming}
	young, old := bean.between(from-onsetBefore, until)
	for i := young; i < old && kink.n < len(kink.at); i++ {
		kink.at[kink.n], kink.depth[kink.n] = bean.back(i).at, depth(i)
		kink.n++
	}
	best := math.Inf(1)
	f.onset, f.first = first, first
	for _, lag := range lags {
		kink.set(lag)
		for s := from; s <= first; s += onsetStep {
			if misfit := kink.misfit(s); misfit < best {
				best, f.onset = misfit, s
			}
		}
	}
	f.level = f.base.value(f.onset)
}

// kink is the points about a fall, newest first, ready to be fitted.
type kink struct {
	n         int
	at, depth [128]float64
	// decay is exp(−(at − reference)/lag) of each point, so that the fit at any
	// onset needs one exponential.
	decay          [128]float64
	lag, reference float64
	warming        float64
}

func (k *kink) set(lag float64) {
	k.lag = lag
	for i := range k.n {
		k.decay[i] = math.Exp((k.reference - k.at[i]) / lag)
	}
}

// misfit is the sum of squares that is left when the fall is said to begin at s.
// The base may be off by a constant: it was a little further back.
func (k *kink) misfit(s float64) float64 {
	since := math.Exp((s - k.reference) / k.lag)
	var d1, dd, f1, df, ff float64
	for i := range k.n {
		d := k.depth[i]
		d1 += d
		dd += d * d
		if u := k.at[i] - s; u > 0 {
			fallen := 1 - since*k.decay[i]
			fallen -= k.warming * (u - k.lag*fallen)
			f1 += fallen
			df += d * fallen
			ff += fallen * fallen
		}
	}
	n := float64(k.n)
	dd -= d1 * d1 / n
	df -= d1 * f1 / n
	ff -= f1 * f1 / n
	if ff <= 0 {
		return dd
	}
	return dd - df*df/ff
}

// bend is the temperature that the fall bends to, with its standard uncertainty.
//
// A probe of a first-order lag τ that touches something D colder falls by d with
// d' = (D − d)/τ, hence d = (D·u − ∫d du)/τ at u after the onset: linear in u and
// in the integral, so that D is the ratio of two regression coefficients. Beans
// grow warm meanwhile, and D comes out smaller than what they were colder by.
func (f *fall) bend(bean *ring) (cel, uncertainty float64, ok bool) {
	_, old := bean.between(f.onset, math.Inf(1))
	var uu, ui, ii, ud, id, dd, integral float64
	last := point{at: f.onset}
	for i := old - 1; i >= 0; i-- {
		p := bean.back(i)
		d := f.level - p.cel
		integral += (d + last.cel) / 2 * (p.at - last.at)
		last = point{at: p.at, cel: d}
		u := p.at - f.onset
		uu += u * u
		ui += u * integral
		ii += integral * integral
		ud += u * d
		id += integral * d
		dd += d * d
	}
	det := uu*ii - ui*ui
	if old < 5 || det <= 1e-9*uu*ii {
		return 0, 0, false
	}
	a := (ud*ii - id*ui) / det // D/τ
	b := (ud*ui - id*uu) / det // 1/τ
	if b <= 0 {
		return 0, 0, false
	}
	depth := a / b
	variance := max(0, dd-a*ud+b*id) / float64(old-2)
	// Propagated to first order; the coefficients' covariance is +variance·ui/det
	// with the sign of the integral's term turned.
	spread := variance / det * (ii + depth*depth*uu - 2*depth*ui)
	return f.level - depth, math.Sqrt(max(0, spread)) / b, true
}
