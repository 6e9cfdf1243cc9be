//! Drawing a response of three curves: `cargo bench --bench plot`.

use presolder::plot::{Curve, Figure, Guides, response};

fn main() {
    divan::main();
}

fn figure() -> Figure {
    let curve = |corner_hz: f64| {
        let points = (0..600).map(|i| {
            let hz = 10.0 * 10f64.powf(3.5 * f64::from(i) / 599.0);
            (hz, -10.0 * (1.0 + (corner_hz / hz).powi(2)).log10())
        });
        Curve::new(format!("corner at {corner_hz} Hz"), points.collect())
    };
    let guides = Guides { strings: true, range_of_use_hz: Some((75.0, 5000.0)) };
    response("Response", vec![curve(15.0), curve(60.0), curve(150.0)], &guides)
}

#[divan::bench]
fn svg(bencher: divan::Bencher) {
    let figure = figure();
    bencher.bench_local(|| figure.to_svg());
}

#[divan::bench]
fn png(bencher: divan::Bencher) {
    let figure = figure();
    bencher.bench_local(|| figure.to_png());
}
