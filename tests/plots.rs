//! Plots: true to their data, readable, the same bytes each time, and the same picture as SVG in a
//! browser and as PNG.

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use ab_glyph::{Font, FontRef};
use common::rng::Rng;
use presolder::plot::{
    Axis, Band, Curve, Figure, Guides, PlotError, difference, lines, open_strings, response,
    spectra,
};

fn guides() -> Guides {
    Guides { strings: true, range_of_use_hz: Some((75.0, 5000.0)) }
}

/// A curve over the audio band.
fn curve(name: &str, of_hz: impl Fn(f64) -> f64) -> Curve {
    let hz = |i: i32| 10.0 * 10f64.powf(3.5 * f64::from(i) / 400.0);
    Curve::new(name, (0..=400).map(|i| (hz(i), of_hz(hz(i)))).collect())
}

/// Level of a high-pass of the first order.
fn high_pass(corner_hz: f64) -> impl Fn(f64) -> f64 {
    move |hz| -10.0 * (1.0 + (corner_hz / hz).powi(2)).log10()
}

fn example() -> Figure {
    let curves = vec![
        curve("as received", high_pass(15.0)),
        curve("C7 22n", high_pass(60.0)),
        curve("proposed: C7 22n, 10k middle pot", |hz| high_pass(60.0)(hz) + 2.0),
    ];
    let mut figure = response("Larkspur 22: input to loudspeaker", curves, &guides());
    figure.subtitle = "treble 6, bass 4, volume 5".to_owned();
    figure.note = "Exact response of the circuit.".to_owned();
    figure
}

/// Words of an SVG: the place of their anchor and what they look like.
struct Word {
    x: f64,
    y: f64,
    size: f64,
    anchor: String,
    words: String,
    turned: bool,
    bold: bool,
}

fn words(document: &roxmltree::Document) -> Vec<Word> {
    let number = |n: &roxmltree::Node, name| -> f64 {
        n.attribute(name).and_then(|v| v.parse().ok()).expect("a number")
    };
    document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| Word {
            x: number(&n, "x"),
            y: number(&n, "y"),
            size: number(&n, "font-size"),
            anchor: n.attribute("text-anchor").expect("an anchor").to_owned(),
            words: n.text().expect("words").trim().to_owned(),
            turned: n.has_attribute("transform"),
            bold: n.attribute("font-weight") == Some("bold"),
        })
        .collect()
}

/// Length of words in em, from the advance widths in the font.
fn length_em(words: &str, bold: bool) -> f64 {
    let file = if bold { "DejaVuSans-Bold-subset.ttf" } else { "DejaVuSans-subset.ttf" };
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/plot/font").join(file);
    let bytes = fs::read(path).expect("the font");
    let font = FontRef::try_from_slice(&bytes).expect("a font");
    let advances = words.chars().map(|c| font.h_advance_unscaled(font.glyph_id(c)));
    f64::from(advances.sum::<f32>() / font.units_per_em().expect("units"))
}

/// Points of all lines of a colour.
fn points(document: &roxmltree::Document, stroke: &str) -> Vec<(f64, f64)> {
    document
        .descendants()
        .filter(|n| n.has_tag_name("polyline") && n.attribute("stroke") == Some(stroke))
        .flat_map(|n| n.attribute("points").expect("points").split_whitespace())
        .map(|p| {
            let (x, y) = p.split_once(',').expect("a pair");
            (x.parse().expect("x"), y.parse().expect("y"))
        })
        .collect()
}

/// What can be read off the drawing with its own axes is what was put in.
#[test]
fn a_curve_reads_as_its_data() {
    let corner_hz = 100.0;
    let figure = response("", vec![curve("", high_pass(corner_hz))], &Guides::default());
    let svg = figure.to_svg().expect("a drawing");
    let document = roxmltree::Document::parse(&svg).expect("well-formed XML");
    let words = words(&document);
    let of = |label: &str| words.iter().find(|w| w.words == label).expect("a label of an axis");
    let (x_20, x_20k) = (of("20").x, of("20k").x);
    // All words of one size stand at the same height about their line, so differences are exact.
    let (y_0, y_10) = (of("0").y, of("−10").y);
    let lines = points(&document, "#0068A4");
    let top = of("0").y - lines.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let mut read = 0;
    for (x, y) in lines {
        let hz = 20.0 * 1000f64.powf((x - x_20) / (x_20k - x_20));
        let level = -10.0 * (y + top - y_0) / (y_10 - y_0);
        assert!((level - high_pass(corner_hz)(hz)).abs() < 0.03, "{level} dB at {hz} Hz");
        read += 1;
    }
    assert!(read > 200, "{read} points were read");
}

#[test]
fn whatever_a_job_is_called_stays_text() {
    let hostile = "</title><script>alert('&\"')</script>";
    let mut figure = example();
    figure.title = hostile.to_owned();
    figure.subtitle = hostile.to_owned();
    figure.note = hostile.to_owned();
    figure.x.label = hostile.to_owned();
    figure.curves[0].name = hostile.to_owned();
    let svg = figure.to_svg().expect("a drawing");
    let document = roxmltree::Document::parse(&svg).expect("well-formed XML");
    assert!(document.descendants().all(|n| !n.has_tag_name("script")));
    let title = document.descendants().find(|n| n.has_tag_name("title")).expect("a title");
    assert_eq!(title.text(), Some(hostile));
    assert!(words(&document).iter().any(|w| w.words == hostile));
    figure.to_png().expect("a picture");
}

#[test]
fn the_same_figure_gives_the_same_bytes() {
    let figure = example();
    assert_eq!(figure.to_svg(), figure.clone().to_svg());
    assert_eq!(figure.to_png(), figure.clone().to_png());
}

/// Names and ranges of any length leave no words upon others and none outside the paper.
#[test]
fn words_never_overlap() {
    let mut rng = Rng::new(Rng::announced_seed());
    for _ in 0..60 {
        let figure = random_figure(&mut rng);
        let svg = figure.to_svg().expect("a drawing");
        let document = roxmltree::Document::parse(&svg).expect("well-formed XML");
        let root = document.root_element();
        let size = |name| root.attribute(name).and_then(|v| v.parse::<f64>().ok()).expect("a size");
        let paper = (10.0 * size("width"), 10.0 * size("height"));
        let boxes: Vec<_> = words(&document)
            .into_iter()
            .map(|Word { x, y, size, anchor, words, turned, bold }| {
                // The baseline is 0.27 em above the place (the drawing's `dy`), a capital 0.73 em high.
                let length = length_em(&words, bold) * size;
                let start = match anchor.as_str() {
                    "start" => 0.0,
                    "middle" => -0.5 * length,
                    _ => -length,
                };
                let (up, down) = (0.95 * size, 0.2 * size);
                let b = if turned {
                    (x - up, y - start - length, x - down, y - start)
                } else {
                    (x + start, y - up, x + start + length, y - down)
                };
                (b, words)
            })
            .collect();
        for (i, (a, of_a)) in boxes.iter().enumerate() {
            assert!(a.0 > 0.0 && a.1 > 0.0, "{of_a:?} is outside: {a:?}");
            assert!(a.2 < paper.0 && a.3 < paper.1, "{of_a:?} is outside: {a:?}");
            for (b, of_b) in &boxes[..i] {
                let apart = a.0 >= b.2 || b.0 >= a.2 || a.1 >= b.3 || b.1 >= a.3;
                assert!(apart, "{of_a:?} lies on {of_b:?} in\n{svg}");
            }
        }
    }
}

fn random_figure(rng: &mut Rng) -> Figure {
    let sentence = |rng: &mut Rng, most: usize| -> String {
        let words = ["middle", "leg", "C7", "100n", "to", "22n,", "bass", "control", "received"];
        let count = rng.below(most);
        (0..count).map(|_| rng.pick(&words)).collect::<Vec<_>>().join(" ")
    };
    let curves = (0..1 + rng.below(7))
        .map(|_| {
            let (corner, gain) = (rng.log_between(10.0, 5e3), rng.between(-40.0, 40.0));
            curve(&sentence(rng, 12), move |hz| high_pass(corner)(hz) + gain)
        })
        .collect();
    let title = sentence(rng, 40);
    let mut figure = match rng.below(4) {
        0 => response(title, curves, &guides()),
        1 => difference(title, curves, &guides()),
        2 => spectra(title, curves, &Guides::default()),
        _ => lines(title, "Position (0 to 10)", "Resistance (ohm)", curves, Vec::new()),
    };
    if rng.chance(0.3) {
        let low = rng.between(-1e4, 1e4);
        figure.y.range = Some((low, low + rng.log_between(1e-3, 1e5)));
    }
    figure.subtitle = sentence(rng, 30);
    figure.note = sentence(rng, 40);
    figure
}

#[test]
fn a_figure_with_nothing_in_it_is_an_error() {
    let nothing = Figure { title: "Levels".to_owned(), ..Figure::default() };
    assert_eq!(nothing.to_svg(), Err(PlotError::Empty { title: "Levels".to_owned() }));
    let outside = vec![Curve::new("", vec![(1.0, 3.0), (2.0, 4.0)])];
    let outside = response("Levels", outside, &Guides::default());
    assert!(matches!(outside.to_png(), Err(PlotError::Empty { .. })));
    let mut backwards = example();
    backwards.y = Axis { range: Some((10.0, -10.0)), ..Axis::default() };
    assert!(matches!(backwards.to_svg(), Err(PlotError::BadRange { .. })));
}

/// ISO 16 and equal temperament, to the digits of a table of pitches.
#[test]
fn open_strings_are_those_of_standard_tuning() {
    let expected = [82.4069, 110.0, 146.8324, 195.9977, 246.9417, 329.6276];
    for (mark, hz) in open_strings().iter().zip(expected) {
        assert!((mark.at - hz).abs() < 5e-5, "{} is at {}", mark.label, mark.at);
    }
}

fn decoded(png: &[u8]) -> (usize, usize, Vec<u8>) {
    let mut decoder = png::Decoder::new(std::io::Cursor::new(png));
    decoder.set_transformations(png::Transformations::EXPAND);
    let mut reader = decoder.read_info().expect("a PNG file");
    let mut bytes = vec![0; reader.output_buffer_size().expect("a size that fits")];
    let info = reader.next_frame(&mut bytes).expect("a picture");
    let channels = info.color_type.samples();
    let rgb = bytes[..info.buffer_size()].chunks_exact(channels).flat_map(|p| [p[0], p[1], p[2]]);
    (info.width as usize, info.height as usize, rgb.collect())
}

/// The PNG is what a browser makes of the SVG: the mean over blocks of 8 by 8 pixels is near
/// everywhere (letters differ by a hair in place and weight).
#[test]
#[ignore = "needs chromium; ./scripts/test runs it"]
fn the_picture_is_that_of_the_drawing_in_a_browser() {
    let position = |i: i32| f64::from(i) / 10.0;
    let dial = lines(
        "Bass control",
        "Position of the new pot (0 to 10)",
        "Same sound on the old pot (0 to 10)",
        vec![Curve::new("printed values", (0..=100).map(|i| (position(i), position(i))).collect())],
        vec![Band {
            name: "parts within ±20 %".to_owned(),
            edges: (0..=100).map(|i| (position(i), 0.9 * position(i), 1.1 * position(i))).collect(),
            of_curve: 0,
        }],
    );
    for figure in [example(), dial] {
        let (width, height, ours) = decoded(&figure.to_png().expect("a picture"));
        let folder = tempfile::tempdir().expect("a scratch folder");
        let [drawing, shot] = ["figure.svg", "shot.png"].map(|name| folder.path().join(name));
        fs::write(&drawing, figure.to_svg().expect("a drawing")).expect("writing the drawing");
        let browser = ["chromium", "chromium-browser"]
            .into_iter()
            .find(|b| Command::new(b).arg("--version").output().is_ok())
            .expect("chromium (./scripts/test installs it)");
        let run = Command::new(browser)
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"])
            .arg("--force-device-scale-factor=2")
            .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
            .arg(format!("--window-size={},{}", width / 2, height / 2))
            .arg(format!("--screenshot={}", shot.display()))
            .arg(format!("file://{}", drawing.display()))
            .output()
            .expect("chromium runs");
        let file = fs::read(&shot)
            .unwrap_or_else(|_| panic!("no picture: {}", String::from_utf8_lossy(&run.stderr)));
        let (their_width, their_height, theirs) = decoded(&file);
        assert_eq!((their_width, their_height), (width, height));
        let mean = |rgb: &[u8], left: usize, top: usize| -> f64 {
            let rows = (top..top + 8).map(|y| &rgb[3 * (y * width + left)..][..24]);
            rows.flatten().map(|v| f64::from(*v)).sum::<f64>() / 192.0
        };
        let (mut worst, mut sum, mut count) = (0.0f64, 0.0, 0.0);
        for top in (0..height - 8).step_by(8) {
            for left in (0..width - 8).step_by(8) {
                let off = (mean(&ours, left, top) - mean(&theirs, left, top)).abs();
                worst = worst.max(off);
                sum += off;
                count += 1.0;
            }
        }
        println!("blocks of 8 by 8 differ by {:.2} in the mean, {worst:.1} at most", sum / count);
        assert!(sum / count < 1.0 && worst < 60.0, "{} and {worst} of 255", sum / count);
    }
}
