//! Where boxes go: in layers from the top, each below all that it reads, ordered and placed so that arrows
//! are short and cross little.
//!
//! Layers by longest path, dummies where an arrow passes a layer, order by the mean place of neighbours, as
//! in the method of Sugiyama, Tagawa and Toda (IEEE Trans. Syst. Man Cybern. 11, 1981).

/// Rounds of ordering and of placing.
const ROUNDS: usize = 12;

/// A box or a dummy in a layer.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// Layer, from the top.
    pub layer: usize,
    /// Middle.
    pub x: f64,
}

/// Places of the boxes, and of the dummies that each arrow passes.
pub struct Layout {
    /// One per box.
    pub boxes: Vec<Place>,
    /// For each arrow, the dummies on its way.
    pub ways: Vec<Vec<Place>>,
    /// Number of layers.
    pub layers: usize,
    /// Width of all of it.
    pub width: f64,
}

/// Lays out boxes of these widths with these arrows, which lead from earlier boxes to later ones.
pub fn layout(widths: &[f64], arrows: &[(usize, usize)], gap: f64) -> Layout {
    let mut layer = vec![0usize; widths.len()];
    for &(from, to) in sorted(arrows).iter() {
        layer[to] = layer[to].max(layer[from] + 1);
    }
    // An input stands just above its first reader.
    for item in 0..widths.len() {
        let reads = arrows.iter().any(|a| a.1 == item);
        let readers = arrows.iter().filter(|a| a.0 == item).map(|a| layer[a.1]);
        if let (false, Some(first)) = (reads, readers.min()) {
            layer[item] = first - 1;
        }
    }
    let mut sizes = widths.to_vec();
    let mut links: Vec<(usize, usize)> = Vec::new();
    let mut passes: Vec<Vec<usize>> = Vec::new();
    for &(from, to) in arrows {
        let mut last = from;
        let mut way = Vec::new();
        for between in layer[from] + 1..layer[to] {
            let dummy = sizes.len();
            sizes.push(0.0);
            layer.push(between);
            links.push((last, dummy));
            way.push(dummy);
            last = dummy;
        }
        links.push((last, to));
        passes.push(way);
    }
    let layers = layer.iter().max().map_or(0, |l| l + 1);
    let mut rows: Vec<Vec<usize>> = vec![Vec::new(); layers];
    (0..sizes.len()).for_each(|item| rows[layer[item]].push(item));
    let mut x = vec![0.0; sizes.len()];
    rows.iter().for_each(|row| spread(row, &sizes, gap, &mut x));
    let mean = |x: &[f64], item: usize, down: bool| {
        let neighbours = links.iter().filter_map(|&(a, b)| match down {
            true if b == item => Some(x[a]),
            false if a == item => Some(x[b]),
            _ => None,
        });
        let all: Vec<f64> = neighbours.collect();
        (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
    };
    for round in 0..ROUNDS {
        let down = round % 2 == 0;
        let order: Vec<usize> = match down {
            true => (0..layers).collect(),
            false => (0..layers).rev().collect(),
        };
        for l in order {
            let wanted: Vec<f64> = rows[l]
                .iter()
                .map(|&item| mean(&x, item, down).unwrap_or(x[item]))
                .collect();
            let mut keyed: Vec<(f64, usize)> =
                wanted.into_iter().zip(rows[l].iter().copied()).collect();
            keyed.sort_by(|a, b| a.0.total_cmp(&b.0));
            rows[l] = keyed.iter().map(|(_, item)| *item).collect();
            place(&keyed, &sizes, gap, &mut x);
        }
    }
    let left = (0..sizes.len())
        .map(|i| x[i] - sizes[i] / 2.0)
        .fold(f64::INFINITY, f64::min);
    let right = (0..sizes.len())
        .map(|i| x[i] + sizes[i] / 2.0)
        .fold(f64::NEG_INFINITY, f64::max);
    let at = |item: usize| Place {
        layer: layer[item],
        x: x[item] - left,
    };
    Layout {
        boxes: (0..widths.len()).map(at).collect(),
        ways: passes
            .iter()
            .map(|way| way.iter().map(|&item| at(item)).collect())
            .collect(),
        layers,
        width: if right > left { right - left } else { 0.0 },
    }
}

/// Arrows in the order of the boxes that they lead to, so that layers are final when they are used.
fn sorted(arrows: &[(usize, usize)]) -> Vec<(usize, usize)> {
    let mut arrows = arrows.to_vec();
    arrows.sort_by_key(|a| a.1);
    arrows
}

/// Side by side, from the left.
fn spread(row: &[usize], sizes: &[f64], gap: f64, x: &mut [f64]) {
    let mut from = 0.0;
    for &item in row {
        x[item] = from + sizes[item] / 2.0;
        from += sizes[item] + gap;
    }
}

/// As near to the wanted places as fits, in order; the row as a whole moves to where it strays least.
fn place(wanted: &[(f64, usize)], sizes: &[f64], gap: f64, x: &mut [f64]) {
    let mut edge = f64::NEG_INFINITY;
    let mut stray = 0.0;
    for &(want, item) in wanted {
        let at = want.max(edge + sizes[item] / 2.0);
        x[item] = at;
        stray += at - want;
        edge = at + sizes[item] / 2.0 + gap;
    }
    let back = stray / wanted.len().max(1) as f64;
    wanted.iter().for_each(|&(_, item)| x[item] -= back);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boxes_stand_below_what_they_read_and_beside_each_other() {
        // 0 and 1 are inputs; 4 reads 2 and 3, and 0 far above.
        let arrows = [(0, 2), (1, 3), (2, 4), (3, 4), (0, 4)];
        let widths = [100.0; 5];
        let layout = layout(&widths, &arrows, 20.0);
        for (from, to) in arrows {
            assert!(layout.boxes[from].layer < layout.boxes[to].layer);
        }
        assert_eq!(layout.ways[4].len(), 1);
        for a in 0..5 {
            for b in 0..a {
                let (a, b) = (layout.boxes[a], layout.boxes[b]);
                assert!(a.layer != b.layer || (a.x - b.x).abs() >= 120.0 - 1e-9);
            }
        }
        assert!(layout.width < 600.0);
    }
}
