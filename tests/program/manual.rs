//! Man pages and completions come from the options themselves: each command has its page, each long option stands in it.

use crate::common::*;

#[test]
fn every_command_has_a_page_that_lists_its_options_and_the_shells_complete() {
    let folder = tempfile::tempdir().unwrap();
    must(&["manual", "--out", folder.path().to_str().unwrap()]);
    let help = must(&["--help"]);
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1)
        .take_while(|line| !line.is_empty())
        // A long description goes on in lines set further in.
        .filter(|line| !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(commands.len() > 12, "{help}");
    for command in &commands {
        let page = std::fs::read_to_string(folder.path().join(format!("man1/backwall-{command}.1"))).unwrap();
        let help = must(&[command, "--help"]);
        for option in
            help.split_whitespace().filter(|word| word.starts_with("--") && word[2..].chars().all(|c| c.is_ascii_lowercase() || c == '-'))
        {
            let escaped = option.replace('-', "\\-");
            assert!(page.contains(&escaped), "the page of {command} lacks {option}");
        }
    }
    for shell in ["backwall.bash", "_backwall", "backwall.fish", "_backwall.ps1"] {
        let text = std::fs::read_to_string(folder.path().join("completions").join(shell)).unwrap();
        assert!(commands.iter().all(|command| text.contains(command)), "{shell}");
    }
}
