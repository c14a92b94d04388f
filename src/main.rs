//! The binary: hands the command line to [`lapel::cli`].

use std::process::ExitCode;

fn main() -> ExitCode {
    lapel::cli::run()
}
