//! Somebody who owns the file takes out what does not please. What the file alone shows of it is found by `verify`; that the rest is found needs a
//! seal that was kept elsewhere, and with it all of it is. `tests/data/forge.py` does it, as a script would that somebody wrote who read
//! `docs/job-file.md`.

use super::*;

/// Two runs, of which the second is named by a verification that failed afterwards; and the seal that was noted then.
fn job_with_a_failed_verification(folder: &Path) -> (PathBuf, String) {
    let job = signed_job(folder);
    let shots = folder.join("s.shots");
    must(&["simulate", "--shots", "60", "--samples", "400", "--rate", "200", "--out", text(&shots)]);
    let stream = format!("file:{}", text(&shots));
    for _ in 0..2 {
        must(&["scan", text(&job), "--headless", "--line", "A090", "--stream", &stream, "--pace", "max"]);
    }
    let wrong = format!("8=file:{}", block(folder, "6", &demo_wall()));
    let failed = run(&["calibrate", text(&job), "--headless", "--verify", &wrong]);
    assert!(!failed.status.success(), "{failed:?}");
    let seal = seal(&job);
    (job, seal)
}

#[test]
fn whatever_is_taken_out_is_found_against_a_seal_also_where_every_digest_was_made_to_fit() {
    let folder = tempfile::tempdir().unwrap();
    let (job, seal) = job_with_a_failed_verification(folder.path());
    let verify = |job: &Path, more: &[&str]| {
        let output = run(&[&["verify", text(job)], more].concat());
        (output.status.success(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
    };
    let (whole, said) = verify(&job, &["--against", &seal]);
    assert!(whole && said.contains("the seal is the job's own"), "{said}");
    let forge = |attack: &str, form: &str| {
        let forged = folder.path().join(format!("{attack}-{form}.job"));
        std::fs::copy(&job, &forged).unwrap();
        let modules = if form == "plain" { "sqlite3" } else { "blake3" };
        let done = python(modules, &root().join("tests/data/forge.py"), &[text(&forged), attack, form])?;
        assert!(done.status.success(), "{attack}: {}", String::from_utf8_lossy(&done.stderr));
        Some(forged)
    };
    // What the file alone shows where only the rows were changed. The last entry of all leaves no trace in it.
    for (attack, shown) in [
        ("triggers", Some("trigger reading_no_update is missing")),
        ("verification", None),
        ("run", Some("not as it was saved")),
        ("end", Some("not as it was saved")),
        ("date", Some("not as it was saved")),
        ("thickness", Some("not as it was saved")),
    ] {
        let Some(forged) = forge(attack, "plain") else { return };
        let (whole, said) = verify(&forged, &[]);
        match shown {
            Some(words) => assert!(!whole && said.contains(words), "{attack}: {said}"),
            None => assert!(whole, "{attack}: {said}"),
        }
        let (whole, said) = verify(&forged, &["--against", &seal]);
        assert!(!whole, "{attack}: {said}");
    }
    // With all digests made to fit, the file is one that the program could have written, and nothing in it shows otherwise.
    for attack in ["verification", "run", "end", "date", "thickness"] {
        let Some(forged) = forge(attack, "recomputed") else { return };
        let (whole, said) = verify(&forged, &[]);
        assert!(whole, "{attack}: {said}");
        let (whole, said) = verify(&forged, &["--against", &seal]);
        assert!(!whole && said.contains("the seal is not in this job"), "{attack}: {said}");
    }
    // The script forges well: untouched, the job keeps its seal.
    let Some(forged) = forge("nothing", "recomputed") else { return };
    assert_eq!(super::seal(&forged), seal);
}
