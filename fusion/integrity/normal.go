package integrity

import "math"

// Normal are the normal equations of a least-squares fit of two parameters x
// and z: AᵀA/σ² and Aᵀy/σ².
type Normal struct {
	XX, XZ, ZZ, XY, ZY float64
}

// Add takes one row, x·X + z·Z = y, with weight w = 1/σ².
func (q *Normal) Add(w, x, z, y float64) {
	q.XX += w * x * x
	q.XZ += w * x * z
	q.ZZ += w * z * z
	q.XY += w * x * y
	q.ZY += w * z * y
}

// Sub takes the equations of m off q.
func (q *Normal) Sub(m *Normal) {
	q.XX -= m.XX
	q.XZ -= m.XZ
	q.ZZ -= m.ZZ
	q.XY -= m.XY
	q.ZY -= m.ZY
}

// Solve returns both parameters and their 1 sigma.
func (q *Normal) Solve() (x, z, sx, sz float64) {
	det := q.XX*q.ZZ - q.XZ*q.XZ
	x = (q.ZZ*q.XY - q.XZ*q.ZY) / det
	z = (q.XX*q.ZY - q.XZ*q.XY) / det
	return x, z, math.Sqrt(q.ZZ / det), math.Sqrt(q.XX / det)
}
