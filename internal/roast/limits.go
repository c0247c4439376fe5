package roast

// Limits of what is taken for a roast.
const (
	// chargeNotice and dropNotice: a fall of this much within lookBack is looked
	// into, K.
	chargeNotice, dropNotice = 12, 5
	// beansWarm is how fast cold beans catch up with the drum at first, as a share
	// of the difference, 1/s.
	beansWarm = 1.0 / 150
	// coldest level that a charge can fall from, degree Celsius.
	coldestPreheat = 100
	// A charge falls this far at least, K, within sharpSeconds of the onset; what
	// falls more slowly is a drum that cools.
	chargeDepth, sharpSeconds = 55, 20
	// With drum air it is told within chargeSeconds of the onset. Cold beans take
	// some heat from the air: at least this, K, and this share of the bean probe's
	// fall; but less than an open door does, which cools the air more than the
	// probe.
	chargeSeconds                                          = 40
	airFallLeast, airFallMost, airShareLeast, airShareMost = 1.5, 45, 0.01, 0.5
	// And the fall bends towards beans that grow warm: where it would come to rest
	// is warmer than any room, which is what a lifted probe falls towards, degree
	// Celsius. What comes to rest below coldestBeans was lifted, for certain.
	warmestRoom, coldestBeans = 45, 32
	// Where that cannot be told, a charge is told by how it turns: not too late
	// after the onset, s. A thin probe turns sooner than turnSoonest, but then it
	// has fallen to half; a probe lifted for a moment has not. What comes to rest
	// above half was an open door, or a burner that went out.
	turnSoonest, turnLatest, turnShare = 30, 130, 0.5
	// A probe that was as cold as a room, degree Celsius, must have risen as it does
	// in beans for riseSeconds, from turnFirst to turnRisen, K.
	turnColdest, turnFirst, turnRisen = 40, 4, 12
	// Steepest rise of a probe in beans after the turn, K/s (90 K/min), over
	// riseSeconds. Above it, the probe is not in beans.
	steepestInBeans, riseSeconds = 1.5, 10
	// Before and at the turn, what tells is the share of its fall that a probe
	// makes good over riseSeconds. Beans catch up with the drum by 5 to 9 %,
	// however thin the probe and however few they are; a probe that is put back
	// into an empty drum does by its own lag, 18 % for one of 50 s.
	comeback = 0.14
	// dropDepth is how far the bean probe falls at a drop, K, if the drum air
	// falls by dropAir with it. A fall that the drum air does not share could be a
	// lifted probe: it must last for dropSeconds.
	// And it must not be on its way back, K/s.
	dropDepth, dropAir, dropSeconds, steepestComeback = 8, 4, 30, 0.3
	// A probe that lies so far under its peak for so long shows a drop that was
	// not seen happening, K and s.
	missedDepth, missedSeconds = 15, 45
	// farthest time that is taken for one, s: thirty years.
	farthest = 1e9
	// steady points in a row that decide.
	decisive = 3
	// No roast turns later, is shorter, is longer, or stands still for longer, s.
	latestTurn, shortestRoast, longestRoast, longestStall = 240, 180, 1800, 180
)
