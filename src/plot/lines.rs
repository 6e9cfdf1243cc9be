//! Lines as points on the paper: clipped to a frame, thinned, dashed.

/// A place on the paper, in px from the upper left corner.
pub type Place = (f64, f64);

/// A rectangle on the paper.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Frame {
    pub fn width(&self) -> f64 {
        self.right - self.left
    }

    pub fn height(&self) -> f64 {
        self.bottom - self.top
    }

    /// Place of a pair of axis places (0 to 1 each, y upward).
    pub fn at(&self, x: f64, y: f64) -> Place {
        (self.left + x * self.width(), self.bottom - y * self.height())
    }
}

/// The pieces of a line that lie in the frame. A place that is not finite splits the line.
pub fn clip(line: &[Place], frame: &Frame) -> Vec<Vec<Place>> {
    let mut pieces: Vec<Vec<Place>> = Vec::new();
    let mut open = false;
    for pair in line.windows(2) {
        let Some((from, to)) = clip_segment(pair[0], pair[1], frame) else {
            open = false;
            continue;
        };
        match pieces.last_mut() {
            Some(piece) if open && from == pair[0] => piece.push(to),
            _ => pieces.push(vec![from, to]),
        }
        open = to == pair[1];
    }
    pieces
}

/// Liang and Barsky, "A new concept and method for line clipping", ACM Transactions on Graphics 3(1), 1984.
fn clip_segment(from: Place, to: Place, frame: &Frame) -> Option<(Place, Place)> {
    let finite = [from.0, from.1, to.0, to.1].iter().all(|v| v.is_finite());
    if !finite {
        return None;
    }
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for (towards, room) in [
        (-dx, from.0 - frame.left),
        (dx, frame.right - from.0),
        (-dy, from.1 - frame.top),
        (dy, frame.bottom - from.1),
    ] {
        if towards == 0.0 {
            if room < 0.0 {
                return None;
            }
        } else if towards < 0.0 {
            enter = enter.max(room / towards);
        } else {
            leave = leave.min(room / towards);
        }
    }
    if enter > leave {
        return None;
    }
    let at = |t: f64| (from.0 + t * dx, from.1 + t * dy);
    let start = if enter == 0.0 { from } else { at(enter) };
    let end = if leave == 1.0 { to } else { at(leave) };
    Some((start, end))
}

/// At most four places for each px along x: the first, the lowest, the highest, the last.
/// What is left out could not be seen.
pub fn thin(line: Vec<Place>) -> Vec<Place> {
    let mut out: Vec<Place> = Vec::with_capacity(line.len().min(8192));
    let mut rest = line.as_slice();
    while let Some(first) = rest.first() {
        let column = first.0.floor();
        let count = rest.iter().take_while(|p| p.0.floor() == column).count().max(1);
        let (group, after) = rest.split_at(count);
        rest = after;
        if count <= 4 {
            out.extend_from_slice(group);
            continue;
        }
        let by_height = |a: &&Place, b: &&Place| a.1.total_cmp(&b.1);
        let mut kept = vec![group[0]];
        kept.extend(group.iter().min_by(by_height));
        kept.extend(group.iter().max_by(by_height));
        kept.push(group[count - 1]);
        kept.sort_by(|a, b| a.0.total_cmp(&b.0));
        kept.dedup();
        out.extend(kept);
    }
    out
}

/// Cuts a line into dashes; `pattern` is the length of a dash, of the gap after it, and so on, in px.
/// An empty pattern gives the whole line.
pub fn dash(line: &[Place], pattern: &[f64]) -> Vec<Vec<Place>> {
    if pattern.is_empty() || line.len() < 2 {
        return vec![line.to_vec()];
    }
    let mut dashes = Vec::new();
    let mut current = vec![line[0]];
    let (mut index, mut left) = (0, pattern[0]);
    for pair in line.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        let mut length = (to.0 - from.0).hypot(to.1 - from.1);
        while length > left {
            let t = left / length;
            from = (from.0 + t * (to.0 - from.0), from.1 + t * (to.1 - from.1));
            length -= left;
            if index % 2 == 0 {
                current.push(from);
                dashes.push(std::mem::take(&mut current));
            } else {
                current = vec![from];
            }
            index = (index + 1) % pattern.len();
            left = pattern[index].max(0.1);
        }
        left -= length;
        if index % 2 == 0 {
            current.push(to);
        }
    }
    if current.len() > 1 {
        dashes.push(current);
    }
    dashes
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Frame = Frame { left: 0.0, top: 0.0, right: 10.0, bottom: 10.0 };

    #[test]
    fn a_line_that_leaves_and_comes_back_is_two_pieces() {
        let line = [(1.0, 5.0), (1.0, 15.0), (9.0, 15.0), (9.0, 5.0)];
        let pieces = clip(&line, &FRAME);
        assert_eq!(pieces, [[(1.0, 5.0), (1.0, 10.0)], [(9.0, 10.0), (9.0, 5.0)]]);
    }

    #[test]
    fn a_point_that_is_no_number_leaves_a_gap() {
        let line = [(0.0, 1.0), (1.0, 1.0), (f64::NAN, 1.0), (3.0, 1.0), (4.0, 1.0)];
        assert_eq!(clip(&line, &FRAME).len(), 2);
    }

    #[test]
    fn thinning_keeps_peaks() {
        let mut line: Vec<Place> = (0..1000).map(|i| (f64::from(i) / 250.0, 5.0)).collect();
        line[333].1 = 9.0;
        line[334].1 = 1.0;
        let thinned = thin(line.clone());
        assert!(thinned.len() <= 16);
        assert!(thinned.contains(&line[333]) && thinned.contains(&line[334]));
        assert_eq!((thinned.first(), thinned.last()), (line.first(), line.last()));
    }

    #[test]
    fn dashes_have_their_lengths() {
        let line = [(0.0, 0.0), (3.0, 0.0), (10.0, 0.0)];
        let dashes = dash(&line, &[4.0, 2.0]);
        let expected = [vec![(0.0, 0.0), (3.0, 0.0), (4.0, 0.0)], vec![(6.0, 0.0), (10.0, 0.0)]];
        assert_eq!(dashes, expected);
    }
}
