//! Progress of long work, on a terminal only.

use std::io::IsTerminal;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

/// A bar on standard error with the time left, if that is a terminal; else nothing.
pub fn bar(steps: u64, what: &'static str) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(steps);
    if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {percent} % {eta} left") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar.enable_steady_tick(Duration::from_millis(200));
    bar
}
