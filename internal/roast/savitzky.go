package roast

import "fmt"

// SavitzkyGolay returns the weights by which evenly spaced values are multiplied
// and summed to give a derivative (0: the smoothed value) of the polynomial of a
// degree fitted to them, in the middle of their odd number, for a spacing of 1: a
// spacing of h divides the sum by h to the power of the derivative.
//
// The weights are computed from Gram polynomials (Gorry, Analytical Chemistry 62
// (1990) 570), which stay exact where normal equations lose digits. It is an
// error if length is even or below 1, if degree is not from 0 to length − 1, or if
// derivative is not from 0 to degree.
func SavitzkyGolay(length, degree, derivative int) ([]float64, error) {
	switch {
	case length < 1 || length%2 == 0:
		return nil, fmt.Errorf("compute Savitzky-Golay weights: length is %d; it must be odd and at least 1", length)
	case degree < 0 || degree >= length:
		return nil, fmt.Errorf("compute Savitzky-Golay weights: degree is %d; it must be 0 to %d for length %d", degree, length-1, length)
	case derivative < 0 || derivative > degree:
		return nil, fmt.Errorf("compute Savitzky-Golay weights: derivative is %d; it must be 0 to the degree, %d", derivative, degree)
	}
	m := length / 2
	weights := make([]float64, length)
	for i := range weights {
		for k := range degree + 1 {
			norm := float64(2*k+1) * falling(2*m, k) / falling(2*m+k+1, k+1)
			weights[i] += norm * gram(i-m, m, k, 0) * gram(0, m, k, derivative)
		}
	}
	return weights, nil
}

// falling is a·(a−1)·…, b factors.
func falling(a, b int) float64 {
	product := 1.0
	for j := a - b + 1; j <= a; j++ {
		product *= float64(j)
	}
	return product
}

// gram is the s-th derivative at i of the Gram polynomial of degree k on the
// 2m + 1 points −m … m, by its recurrence. The recursion branches, so that it is for the
// small degrees that filters have.
func gram(i, m, k, s int) float64 {
	if s < 0 || k < 0 {
		return 0
	}
	if k == 0 {
		if s == 0 {
			return 1
		}
		return 0
	}
	a := float64(4*k-2) / float64(k*(2*m-k+1))
	b := float64((k-1)*(2*m+k)) / float64(k*(2*m-k+1))
	return a*(float64(i)*gram(i, m, k-1, s)+float64(s)*gram(i, m, k-1, s-1)) - b*gram(i, m, k-2, s)
}
