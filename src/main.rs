//! The program: reads the command line, calls the library, says how it went.

use std::process::ExitCode;

use clap::Parser;
use presolder::audio::abandon_unfinished;
use presolder::commands::{CommandLine, run};

/// Exit status of a program that ends by an interrupt: 128 and the number of SIGINT.
const INTERRUPTED: i32 = 130;

fn main() -> ExitCode {
    let command_line = CommandLine::parse();
    // Without a handler the program still works; an interrupt then leaves its temporary files.
    let _ = ctrlc::set_handler(|| {
        if presolder::interrupt::note() {
            return;
        }
        abandon_unfinished();
        eprintln!("presolder: interrupted; nothing is left half written");
        std::process::exit(INTERRUPTED);
    });
    match run(&command_line) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("presolder: {failure}");
            ExitCode::from(failure.exit_code())
        }
    }
}
