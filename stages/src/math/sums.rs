//! TEMPORARY
use num_complex::Complex64;
/// t
#[derive(Default, Debug, Clone)]
pub struct ComplexMoments {
    v: Vec<Complex64>,
    m: u64,
}
#[allow(missing_docs)]
impl ComplexMoments {
    pub fn push(&mut self, z: Complex64) {
        if z.re.is_nan() || z.im.is_nan() {
            self.m += 1
        } else {
            self.v.push(z)
        }
    }
    pub fn count(&self) -> u64 {
        self.v.len() as u64
    }
    pub fn missing(&self) -> u64 {
        self.m
    }
    pub fn mean(&self) -> Complex64 {
        self.v.iter().sum::<Complex64>() / self.v.len() as f64
    }
    pub fn covariance(&self) -> [f64; 3] {
        let m = self.mean();
        let n = self.v.len() as f64 - 1.0;
        if n < 1.0 {
            return [0.0; 3];
        }
        let s = self.v.iter().fold([0.0; 3], |[a, b, c], z| {
            let d = z - m;
            [a + d.re * d.re, b + d.im * d.im, c + d.re * d.im]
        });
        [s[0] / n, s[1] / n, s[2] / n]
    }
}
