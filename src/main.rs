//! The program: reads the command line, calls the library, says how it went.

use std::process::ExitCode;

use clap::Parser;
use presolder::commands::{CommandLine, run};

fn main() -> ExitCode {
    let command_line = CommandLine::parse();
    match run(&command_line) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("presolder: {failure}");
            ExitCode::from(failure.exit_code())
        }
    }
}
