//! Curves against frequency as inline SVG.
//!
//! Drawn here and not with a plotting crate, since the page needs two drawings of each plot (wide
//! and narrow, so that lettering stays readable on a phone), colours that follow a dark or light
//! setting through classes, and no style attribute, which the page's policy forbids.

use std::fmt::Write;

use super::escape::Text;

/// Size of a drawing in its own units, which are CSS pixels where it is shown full size.
#[derive(Clone, Copy)]
pub(super) struct Frame {
    pub class: &'static str,
    pub width: f64,
    pub height: f64,
    frequency_labels: &'static [f64],
}

const LEFT: f64 = 44.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 30.0;
const BOTTOM: f64 = 40.0;

/// For screens and paper.
pub(super) const WIDE: Frame = Frame {
    class: "wide",
    width: 720.0,
    height: 330.0,
    frequency_labels: &[20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4, 2e4],
};
/// For phones.
pub(super) const NARROW: Frame = Frame {
    class: "narrow",
    width: 344.0,
    height: 300.0,
    frequency_labels: &[20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4],
};

/// A mark on the frequency axis.
pub(super) struct Mark<'a> {
    pub name: &'a str,
    pub frequency_hz: f64,
}

/// What one plot shows, apart from its size.
pub(super) struct Plot<'a> {
    /// For those who don't see it.
    pub description: &'a str,
    pub frequencies_hz: &'a [f64],
    /// Which version each curve belongs to, and its levels in dB.
    pub curves: Vec<(usize, &'a [f64])>,
    pub marks: Vec<Mark<'a>>,
    /// Lowest and highest frequency that the loudspeaker reproduces.
    pub range_hz: Option<(f64, f64)>,
    /// Levels at the lower and upper edge.
    pub scale: Scale,
}

/// The level axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    pub low_db: f64,
    pub high_db: f64,
    pub step_db: f64,
}

impl Scale {
    /// Round limits round the values that lie within `depth_db` of the highest.
    pub(super) fn covering(values: impl Iterator<Item = f64> + Clone, depth_db: f64) -> Self {
        let finite = || values.clone().filter(|db| db.is_finite());
        let high = finite().fold(f64::MIN, f64::max);
        let low = finite().fold(f64::MAX, f64::min);
        if low > high {
            return Self { low_db: -6.0, high_db: 6.0, step_db: 3.0 };
        }
        let low = low.max(high - depth_db);
        let steps = [1.0, 2.0, 3.0, 6.0, 12.0, 24.0];
        let wanted = (high - low) / 7.0;
        let step = steps.into_iter().find(|&step| step >= wanted).unwrap_or(24.0);
        let low_db = (low / step - 0.15).floor() * step;
        let high_db = (high / step + 0.15).ceil() * step;
        Self { low_db, high_db, step_db: step }
    }
}

impl Frame {
    fn inner_width(&self) -> f64 {
        self.width - LEFT - RIGHT
    }

    fn inner_height(&self) -> f64 {
        self.height - TOP - BOTTOM
    }
}

/// The drawing.
pub(super) fn draw(plot: &Plot<'_>, frame: &Frame) -> String {
    let mut svg = String::new();
    // Writing to a string cannot fail, so the results are dropped here and below.
    let _ = draw_into(&mut svg, plot, frame);
    svg
}

fn draw_into(svg: &mut String, plot: &Plot<'_>, frame: &Frame) -> std::fmt::Result {
    let low_hz = plot.frequencies_hz.first().copied().unwrap_or(20.0).max(10.0);
    let high_hz = plot.frequencies_hz.last().copied().unwrap_or(2e4).max(low_hz * 2.0);
    let across =
        |hz: f64| LEFT + frame.inner_width() * (hz / low_hz).ln() / (high_hz / low_hz).ln();
    let scale = plot.scale;
    let down = |db: f64| {
        let share = (scale.high_db - db) / (scale.high_db - scale.low_db);
        TOP + frame.inner_height() * share.clamp(0.0, 1.0)
    };
    let (right, floor) = (frame.width - RIGHT, frame.height - BOTTOM);
    write!(
        svg,
        r#"<svg class="{}" viewBox="0 0 {} {}" role="img" aria-label="{}" data-left="{LEFT}" data-span="{}" data-low="{low_hz}" data-high="{high_hz}">"#,
        frame.class,
        frame.width,
        frame.height,
        Text(plot.description),
        frame.inner_width()
    )?;
    if let Some((low, high)) = plot.range_hz {
        let (from, to) = (across(low).clamp(LEFT, right), across(high).clamp(LEFT, right));
        for (start, end) in [(LEFT, from), (to, right)] {
            write!(
                svg,
                r#"<rect class="beyond" x="{start:.1}" y="{TOP}" width="{:.1}" height="{:.1}"/>"#,
                end - start,
                frame.inner_height()
            )?;
        }
        write!(
            svg,
            r#"<path class="range" d="M{from:.1} 25V17M{to:.1} 25V17M{from:.1} 21H{to:.1}"/><text class="range-name" x="{:.1}" y="13">{}</text>"#,
            (from + to) / 2.0,
            if frame.width > 500.0 { "what the speaker reproduces" } else { "speaker" }
        )?;
    }
    grid(svg, plot, frame, low_hz, high_hz, &across, &down)?;
    for mark in &plot.marks {
        if (low_hz..=high_hz).contains(&mark.frequency_hz) {
            let x = across(mark.frequency_hz);
            write!(
                svg,
                r#"<path class="string" d="M{x:.1} {TOP}V{floor}"/><text class="string-name" x="{x:.1}" y="{:.1}">{}</text>"#,
                floor - 4.0,
                Text(mark.name)
            )?;
        }
    }
    for (version, levels) in &plot.curves {
        write!(svg, r#"<path class="curve v{}" d=""#, version % CURVE_CLASSES)?;
        let points = plot.frequencies_hz.iter().zip(*levels).map(|(&hz, &db)| (across(hz), db));
        for (pen_down, (x, db)) in above(points, scale.low_db) {
            write!(svg, "{}{x:.1} {:.1}", if pen_down { 'L' } else { 'M' }, down(db))?;
        }
        svg.push_str(r#""/>"#);
    }
    write!(
        svg,
        r#"<path class="axis" d="M{LEFT} {TOP}V{floor}H{right}"/><path class="cursor" d="M0 {TOP}V{floor}"/></svg>"#
    )
}

/// The strokes of a curve where it lies above the bottom of its plot: whether the pen is down on the way to a
/// point. Below, nothing is drawn; a line along the bottom would look like the curve.
fn above(points: impl Iterator<Item = (f64, f64)>, bottom_db: f64) -> Vec<(bool, (f64, f64))> {
    let mut strokes = Vec::new();
    let mut last: Option<(f64, f64)> = None;
    for (x, db) in points {
        let crossing = |(x0, db0): (f64, f64)| {
            let share = (bottom_db - db0) / (db - db0);
            // From no level at all, minus infinity, the curve rises at once.
            (if share.is_finite() { x0 + share * (x - x0) } else { x }, bottom_db)
        };
        match last.map(|point| (point, point.1 >= bottom_db)) {
            None if db >= bottom_db => strokes.push((false, (x, db))),
            Some((_, true)) if db >= bottom_db => strokes.push((true, (x, db))),
            Some((before, true)) => strokes.push((true, crossing(before))),
            Some((before, false)) if db >= bottom_db => {
                strokes.push((false, crossing(before)));
                strokes.push((true, (x, db)));
            }
            _ => {}
        }
        last = Some((x, db));
    }
    strokes
}

/// How many curve styles the style sheet has.
pub(super) const CURVE_CLASSES: usize = 6;

fn grid(
    svg: &mut String,
    plot: &Plot<'_>,
    frame: &Frame,
    low_hz: f64,
    high_hz: f64,
    across: &dyn Fn(f64) -> f64,
    down: &dyn Fn(f64) -> f64,
) -> std::fmt::Result {
    let (right, floor) = (frame.width - RIGHT, frame.height - BOTTOM);
    let within = |hz: f64| hz >= low_hz * 0.999 && hz <= high_hz * 1.001;
    svg.push_str(r#"<path class="grid" d=""#);
    for decade in [10.0, 100.0, 1e3, 1e4] {
        for hz in (1..10).map(|digit| f64::from(digit) * decade).filter(|&hz| within(hz)) {
            write!(svg, "M{:.1} {TOP}V{floor}", across(hz))?;
        }
    }
    let scale = plot.scale;
    let lines = ((scale.high_db - scale.low_db) / scale.step_db).round() as usize;
    let levels: Vec<f64> =
        (0..=lines.min(40)).map(|line| scale.low_db + line as f64 * scale.step_db).collect();
    for &db in &levels {
        write!(svg, "M{LEFT} {:.1}H{right}", down(db))?;
    }
    svg.push_str(r#""/>"#);
    if scale.low_db < 0.0 && scale.high_db > 0.0 {
        write!(svg, r#"<path class="zero" d="M{LEFT} {:.1}H{right}"/>"#, down(0.0))?;
    }
    for &db in &levels {
        write!(
            svg,
            r#"<text class="level" x="{:.1}" y="{:.1}">{}</text>"#,
            LEFT - 6.0,
            down(db) + 4.0,
            level_label(db)
        )?;
    }
    for &hz in frame.frequency_labels.iter().filter(|&&hz| within(hz)) {
        write!(
            svg,
            r#"<text class="frequency" x="{:.1}" y="{:.1}">{}</text>"#,
            across(hz),
            floor + 16.0,
            frequency_label(hz)
        )?;
    }
    write!(
        svg,
        r#"<text class="frequency" x="{:.1}" y="{:.1}">hertz</text><text class="level" x="{:.1}" y="16">dB</text>"#,
        (LEFT + right) / 2.0,
        frame.height - 6.0,
        LEFT - 6.0
    )
}

/// A level with a true minus sign; no sign for zero.
pub(super) fn level_label(db: f64) -> String {
    let rounded = db.round();
    match rounded {
        level if level < 0.0 => format!("\u{2212}{}", -level),
        level if level > 0.0 => format!("+{level}"),
        _ => "0".to_owned(),
    }
}

/// A level to a tenth of a dB with its sign.
pub(super) fn level_text(db: f64) -> String {
    let rounded = (db * 10.0).round() / 10.0;
    match rounded {
        level if level < 0.0 => format!("\u{2212}{:.1}\u{a0}dB", -level),
        level if level > 0.0 => format!("+{level:.1}\u{a0}dB"),
        _ => "0.0\u{a0}dB".to_owned(),
    }
}

/// A frequency for an axis.
pub(super) fn frequency_label(hz: f64) -> String {
    if hz >= 1e3 { format!("{}k", hz / 1e3) } else { format!("{hz}") }
}

/// A frequency for a table or a sentence.
pub(super) fn frequency_text(hz: f64) -> String {
    match hz {
        hz if hz >= 1e3 => format!("{}\u{a0}kHz", (hz / 10.0).round() / 100.0),
        hz if hz >= 100.0 => format!("{}\u{a0}Hz", (hz * 10.0).round() / 10.0),
        hz => format!("{}\u{a0}Hz", (hz * 100.0).round() / 100.0),
    }
}

/// Level at a frequency between two samples of a curve, straight over the logarithm.
pub(super) fn level_at(frequencies_hz: &[f64], levels_db: &[f64], hz: f64) -> Option<f64> {
    let after = frequencies_hz.iter().position(|&known| known >= hz)?;
    let (&high_hz, &high_db) = (frequencies_hz.get(after)?, levels_db.get(after)?);
    if high_hz == hz {
        return Some(high_db);
    }
    let before = after.checked_sub(1)?;
    let (&low_hz, &low_db) = (frequencies_hz.get(before)?, levels_db.get(before)?);
    let share = (hz / low_hz).ln() / (high_hz / low_hz).ln();
    Some(low_db + share * (high_db - low_db))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_is_round_and_covers() {
        let scale = Scale::covering([-31.0, 2.0, f64::NEG_INFINITY].into_iter(), 48.0);
        assert_eq!(scale, Scale { low_db: -36.0, high_db: 6.0, step_db: 6.0 });
        let flat = Scale::covering([0.0, 0.0].into_iter(), 48.0);
        assert!(flat.low_db < 0.0 && flat.high_db > 0.0);
        let nothing = Scale::covering([f64::NAN].into_iter(), 48.0);
        assert!(nothing.low_db < nothing.high_db);
        let deep = Scale::covering([-500.0, 0.0].into_iter(), 48.0);
        assert!(deep.low_db >= -72.0);
    }

    #[test]
    fn a_curve_ends_at_the_bottom_of_its_plot() {
        let points = [(0.0, -30.0), (1.0, -10.0), (2.0, 0.0), (3.0, -40.0), (4.0, -50.0)];
        let strokes = above(points.into_iter(), -20.0);
        let expected =
            [(false, (0.5, -20.0)), (true, (1.0, -10.0)), (true, (2.0, 0.0)), (true, (2.5, -20.0))];
        assert_eq!(strokes, expected);
        let silent = [(0.0, f64::NEG_INFINITY), (1.0, -10.0)];
        assert_eq!(above(silent.into_iter(), -20.0), [(false, (1.0, -20.0)), (true, (1.0, -10.0))]);
        assert_eq!(above([(0.0, -30.0), (1.0, -25.0)].into_iter(), -20.0), []);
    }

    #[test]
    fn level_between_samples() {
        let (hz, db) = ([10.0, 100.0, 1000.0], [0.0, 20.0, 40.0]);
        let half = level_at(&hz, &db, 10.0 * 10_f64.sqrt()).unwrap();
        assert!((half - 10.0).abs() < 1e-9);
        assert_eq!(level_at(&hz, &db, 10.0), Some(0.0));
        assert_eq!(level_at(&hz, &db, 9.0), None);
        assert_eq!(level_at(&hz, &db, 1001.0), None);
    }

    #[test]
    fn numbers_read_well() {
        assert_eq!(level_label(-12.0), "\u{2212}12");
        assert_eq!(level_text(0.04), "0.0\u{a0}dB");
        assert_eq!(level_text(-0.25), "\u{2212}0.3\u{a0}dB");
        assert_eq!(frequency_text(82.4069), "82.41\u{a0}Hz");
        assert_eq!(frequency_text(1500.0), "1.5\u{a0}kHz");
    }
}
