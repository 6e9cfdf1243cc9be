//! Makes the dry clips of this folder: `cargo run --release --example make-sample-audio`.
//!
//! The clips are part of the repository, and a test checks that they are what this program makes,
//! byte for byte. Give a folder as argument to write them elsewhere.

mod guitar;

use std::path::PathBuf;
use std::process::ExitCode;

use presolder::audio::{OutputFormat, write_wav};

fn main() -> ExitCode {
    let default = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/sample-audio"));
    let folder = std::env::args_os().nth(1).map_or(default, PathBuf::from);
    for take in guitar::takes() {
        let path = folder.join(take.file_name);
        let clip = take.render();
        // The takes are meant to be replaced when the program changes.
        match write_wav(&path, &clip, OutputFormat::Pcm24, true) {
            Ok(written) => println!(
                "{}: {:.1} s, peak {:.3} V ({:.1} dB of full scale), {}",
                path.display(),
                clip.duration_s(),
                written.peak * guitar::FULL_SCALE_VOLTS,
                20.0 * written.peak.log10(),
                take.about
            ),
            Err(error) => {
                eprintln!("{error}");
                return ExitCode::from(2);
            }
        }
    }
    ExitCode::SUCCESS
}
