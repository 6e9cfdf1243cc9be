//! The commands: one file each. They read what the user names, call the library and print.

pub mod audition;
mod failure;

use clap::{Parser, Subcommand};

pub use failure::Failure;

/// Hear a modification of a guitar valve amplifier before the iron is hot, and prove afterwards
/// that it did what was promised.
#[derive(Debug, Parser)]
#[command(name = "presolder", version, about, after_help = EXAMPLE)]
pub struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

const EXAMPLE: &str = "Example:\n  presolder demo --out demo\n\n\
Valve amplifiers hold lethal voltages, also when switched off. Work inside one is for qualified\n\
technicians: mains off, filter capacitors discharged and measured, local electrical codes first.";

#[derive(Debug, Subcommand)]
enum Command {}

/// Runs the command of a command line.
///
/// # Errors
/// [`Failure`], with the exit status that belongs to it.
pub fn run(command_line: &CommandLine) -> Result<(), Failure> {
    match command_line.command {}
}
