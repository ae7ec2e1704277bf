//! Gives means of the same samples the sources that they share, when a point is done.

use num_complex::Complex64;

use super::{Group, Joint, Mean, Spans};
use crate::graph::Node;
use crate::response::covariances;
use crate::stage::{Closing, Span};
use crate::statistics::{f_above, student_t_quantile};
use crate::value::{Estimate, Part, Value};

/// Components of a source that one mean takes up.
const ROOM: u32 = 128;

/// Probability beyond which densities differ by more than chance, on either side.
const CHANCE: f64 = 1.0 / 2000.0;

/// Ratio of densities that counts as none, however exactly they are stated: weights are known to less than that.
const ALIKE: f64 = 1.05;

/// How much wider an interval may be by fewer degrees of freedom, so that what tells its width is independent of what it
/// is about: here by 15 instead of 20 it is 2 %.
const WIDER: f64 = 1.05;

/// Part of a variance that is only rounding.
const ROUNDING: f64 = 1e-13;

/// A mean of a point that is done.
struct Done<'g> {
    mean: &'g Mean,
    /// Its place among the closings.
    at: usize,
    span: Span,
    /// Components of the noise that is shared.
    parts: Vec<Part>,
    others: Vec<Part>,
    freedom: f64,
    /// Sum of squares of the effects of noise.
    square: f64,
    complex: bool,
}

impl Joint {
    /// Gives the means of a point that have noise in common the same sources, and says where that fails.
    pub(crate) fn join(&self, closings: &mut [(Node, Closing)], name: impl Fn(Node) -> String) {
        for group in &self.groups {
            group.join(closings, &name);
        }
    }
}

fn estimate(closing: &Closing) -> Option<&Estimate> {
    closing.values.first()?.estimate()
}

/// The parts of an estimate that are components of its first source, if they are few enough to be shared, and the others: of
/// what is slow against any chain.
fn of_first_source(closing: &Closing) -> Option<(&[Part], &[Part])> {
    let parts = estimate(closing)?.parts.as_deref()?;
    let first = parts.first()?;
    let alike = |p: &&Part| p.source.about == first.source.about;
    let (own, others) = parts.split_at(parts.iter().take_while(alike).count());
    own.iter()
        .all(|p| p.source.index < ROOM)
        .then_some((own, others))
}

impl Group {
    fn join(&self, closings: &mut [(Node, Closing)], name: impl Fn(Node) -> String) {
        let done = self.done(closings);
        let sums = self.covariances(&done);
        let mut remarks = self.gaps(closings);
        let leaders = leaders(&done, &sums);
        for (i, d) in done.iter().enumerate() {
            let first = leaders[first_of_family(&done, i)];
            if leaders[i] != first {
                let ratio = density(&done, &sums, i) / density(&done, &sums, first);
                let remark = format!(
                    "the noise density behind its chain is {ratio:.3} times that behind `{}`, of the same samples, which \
                     is more than chance, so that something beside white noise gets through one of them; they count as \
                     independent, and their difference comes out too uncertain",
                    name(done[first].mean.node)
                );
                remarks.push((d.at, remark));
            }
        }
        let shares = |i: usize| leaders.iter().filter(|l| **l == leaders[i]).count() > 1;
        if (0..done.len()).any(shares) {
            self.share(closings, &done, &leaders, &sums);
        }
        for (at, remark) in remarks {
            closings[at].1.remarks.push(remark);
        }
    }

    /// What is said of means with missing samples in between, whose weights are not known.
    fn gaps(&self, closings: &[(Node, Closing)]) -> Vec<(usize, String)> {
        let each = self.means.iter().filter_map(|mean| {
            let at = closings.iter().position(|(node, _)| *node == mean.node)?;
            let closing = &closings[at].1;
            of_first_source(closing)?;
            let others = self.means.iter().filter(|m| m.front == mean.front);
            let gap = closing.span.is_none() && others.count() > 1;
            let remark = "samples are missing in between, so that it counts as independent of other means of the same \
                          samples, and differences from them come out too uncertain";
            gap.then(|| (at, remark.to_owned()))
        });
        each.collect()
    }

    /// The means of the point whose weights are known.
    fn done(&self, closings: &[(Node, Closing)]) -> Vec<Done<'_>> {
        let each = self.means.iter().filter_map(|mean| {
            let at = closings.iter().position(|(node, _)| *node == mean.node)?;
            let closing = &closings[at].1;
            let (parts, others) = of_first_source(closing)?;
            let square: f64 = parts.iter().map(|p| p.effect.norm_sqr()).sum();
            let turned = mean.factor.im != 0.0;
            let complex = turned || parts.iter().any(|p| p.effect.im != 0.0);
            let whole = square > 0.0 && mean.factor.norm_sqr() > 0.0;
            whole.then_some(Done {
                mean,
                at,
                span: closing.span?,
                freedom: parts.first()?.source.about.degrees_of_freedom,
                parts: parts.to_vec(),
                others: others.to_vec(),
                square,
                complex,
            })
        });
        each.collect()
    }

    /// Covariances for white noise of variance 1. All points of a sweep ask for the same as a rule.
    fn covariances(&self, done: &[Done<'_>]) -> Vec<Vec<f64>> {
        let key: Spans = done.iter().map(|d| (d.mean.node, d.span)).collect();
        let mut known = match self.known.lock() {
            Ok(known) => known,
            Err(poisoned) => poisoned.into_inner(),
        };
        if let Some(sums) = known.get(&key) {
            return sums.clone();
        }
        let means: Vec<_> = done.iter().map(|d| (&d.mean.weights, d.span)).collect();
        let sums = covariances(&means);
        known.insert(key, sums.clone());
        sums
    }

    /// Writes the parts of all means anew, from the deviations of their leaders.
    fn share(
        &self,
        closings: &mut [(Node, Closing)],
        done: &[Done<'_>],
        leaders: &[usize],
        sums: &[Vec<f64>],
    ) {
        // A leader comes before those that it leads, so that it keeps its parts.
        let led = |i: &usize| leaders[*i] == *i;
        let all = 0..done.len();
        let order: Vec<usize> = all
            .clone()
            .filter(led)
            .chain(all.filter(|i| !led(i)))
            .collect();
        let factor = cholesky(sums, &order);
        for (row, &i) in factor.iter().zip(&order) {
            let leader = &done[leaders[i]];
            let scale: Complex64 = done[i].mean.factor / leader.mean.factor;
            let scale = scale / sums[leaders[i]][leaders[i]].sqrt();
            let components = (0u32..).zip(row).filter(|(_, share)| **share != 0.0);
            let parts = components.flat_map(|(k, share)| {
                let part = move |part: &Part| {
                    let index = k * ROOM + part.source.index;
                    Part::new(&part.source.about, index, part.effect * scale * *share)
                };
                leader.parts.iter().map(part)
            });
            let slow = slowest(done, leaders, i).into_iter().flat_map(|from| {
                let scale = done[i].mean.factor / from.mean.factor;
                let each = from.others.iter();
                each.map(move |p| Part::new(&p.source.about, p.source.index, p.effect * scale))
            });
            let parts: Vec<Part> = parts.chain(slow).collect();
            if let Some(Value::Estimate(own)) = closings[done[i].at].1.values.first_mut() {
                own.parts = Some(parts);
            }
        }
    }
}

/// Of the means that share a density, the one that was found to wander most, if any was: what wanders slowly moves all of
/// them alike, whichever of them showed it.
fn slowest<'d, 'g>(done: &'d [Done<'g>], leaders: &[usize], i: usize) -> Option<&'d Done<'g>> {
    let size = |d: &Done<'_>| -> f64 {
        let all: f64 = d.others.iter().map(|p| p.effect.norm_sqr()).sum();
        all / d.mean.factor.norm_sqr()
    };
    let alike = done.iter().zip(leaders).filter(|(_, l)| **l == leaders[i]);
    let wander = alike.map(|(d, _)| d).filter(|d| !d.others.is_empty());
    wander.reduce(|most, d| if size(d) > size(most) { d } else { most })
}

/// Whether two means are of the same samples, and their uncertainties evaluated alike.
fn family(a: &Done<'_>, b: &Done<'_>) -> bool {
    let evaluated = |d: &Done<'_>| d.parts.first().map(|p| p.source.about.evaluation);
    a.mean.front == b.mean.front && evaluated(a) == evaluated(b)
}

fn first_of_family(done: &[Done<'_>], i: usize) -> usize {
    let first = done.iter().position(|d| family(d, &done[i]));
    first.unwrap_or(i)
}

/// The density of the noise that a mean tells.
fn density(done: &[Done<'_>], sums: &[Vec<f64>], i: usize) -> f64 {
    done[i].square / (done[i].mean.factor.norm_sqr() * sums[i][i])
}

/// For each mean the one whose density it shares. What differs from the first choice by more than chance chooses anew
/// among its like.
fn leaders(done: &[Done<'_>], sums: &[Vec<f64>]) -> Vec<usize> {
    let mut found: Vec<Option<usize>> = vec![None; done.len()];
    while let Some(next) = found.iter().position(Option::is_none) {
        let open = |i: &usize| found[*i].is_none() && family(&done[*i], &done[next]);
        let open: Vec<usize> = (0..done.len()).filter(open).collect();
        let leader = leader(done, &open).unwrap_or(next);
        for i in open {
            if i == leader || same_density(done, sums, i, leader) {
                found[i] = Some(leader);
            }
        }
    }
    found.into_iter().flatten().collect()
}

/// Whether the densities that two means tell differ by no more than chance (F test).
fn same_density(done: &[Done<'_>], sums: &[Vec<f64>], i: usize, leader: usize) -> bool {
    let ratio = density(done, sums, i) / density(done, sums, leader);
    // In-phase and quadrature part tell it twice.
    let freedom = |d: &Done<'_>| if d.complex { 2.0 } else { 1.0 } * d.freedom;
    let (own, led) = (freedom(&done[i]), freedom(&done[leader]));
    let chance = match ratio > 1.0 {
        true => f_above(ratio, own, led),
        false => f_above(1.0 / ratio, led, own),
    };
    chance >= CHANCE || ratio.max(1.0 / ratio) <= ALIKE
}

/// The mean whose deviations tell the density of the noise that several share: that behind a chain which most channels
/// have, with degrees of freedom for nearly the shortest intervals, over the shortest time. Others differ from that by what
/// they have beyond it, which then is no part of what tells the density, as Student's t needs it: were it one of n stretches
/// that tell it, the difference over its uncertainty could not exceed sqrt(n) (Thompson, Ann. Math. Stat. 6, 214 (1935)).
fn leader(done: &[Done<'_>], open: &[usize]) -> Option<usize> {
    let alike = open.iter().map(|i| done[*i].mean.alike).max()?;
    let common = || {
        open.iter()
            .copied()
            .filter(|i| done[*i].mean.alike == alike)
    };
    let most = common().map(|i| done[i].freedom).fold(0.0, f64::max);
    let widest = WIDER * student_t_quantile(0.975, most);
    let time = |i: &usize| done[*i].mean.weights.samples(&done[*i].span);
    common()
        .filter(|i| student_t_quantile(0.975, done[*i].freedom) <= widest)
        .min_by(|a, b| time(a).total_cmp(&time(b)))
}

/// The Cholesky factor of a covariance, taken in an order; what is only rounding of a variance counts as nothing.
fn cholesky(sums: &[Vec<f64>], order: &[usize]) -> Vec<Vec<f64>> {
    let mut factor: Vec<Vec<f64>> = Vec::new();
    for (n, &i) in order.iter().enumerate() {
        // The same mean once more: the same row to the last bit, so that nothing is left of a difference.
        let twin = order[..n]
            .iter()
            .position(|&j| sums[i][j] == sums[i][i] && sums[i][j] == sums[j][j]);
        if let Some(twin) = twin {
            let mut row: Vec<f64> = factor[twin].clone();
            row.resize(n + 1, 0.0);
            factor.push(row);
            continue;
        }
        let mut row = vec![0.0; n + 1];
        for (m, &j) in order.iter().enumerate().take(n) {
            let explained: f64 = (0..m).map(|k| row[k] * factor[m][k]).sum();
            if factor[m][m] > 0.0 {
                row[m] = (sums[i][j] - explained) / factor[m][m];
            }
        }
        let explained: f64 = row.iter().map(|x| x * x).sum();
        let rest = sums[i][i] - explained;
        row[n] = if rest > ROUNDING * sums[i][i] {
            rest.sqrt()
        } else {
            0.0
        };
        factor.push(row);
    }
    factor
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The factor times itself is the covariance, in whatever order; two alike need one component only.
    #[test]
    fn factor_of_a_covariance() {
        let sums = vec![
            vec![4.0, 2.0, 4.0],
            vec![2.0, 3.0, 2.0],
            vec![4.0, 2.0, 4.0],
        ];
        for order in [[0, 1, 2], [1, 2, 0]] {
            let factor = cholesky(&sums, &order);
            for (row, i) in factor.iter().zip(order) {
                for (other, j) in factor.iter().zip(order) {
                    let product: f64 = row.iter().zip(other).map(|(a, b)| a * b).sum();
                    assert!((product - sums[i][j]).abs() < 1e-14, "{i} {j}");
                }
            }
        }
        assert_eq!(cholesky(&sums, &[0, 2])[1][1], 0.0);
    }
}
