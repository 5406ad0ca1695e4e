//! Checklist templates: those that come with the program, by name, and others by path.

use anyhow::Context;
use backwall_survey::job::Checklist;
use std::path::Path;

/// Name and text of each template that comes with the program.
const SHIPPED: &[(&str, &str)] = &[("magnetic-crawler", include_str!("../../profiles/checklist/magnetic-crawler.toml"))];

/// The template a plan names: one that comes with the program, or a file, looked for beside the plan.
pub fn checklist(name: &str, plan: &Path) -> anyhow::Result<Checklist> {
    if let Some((name, text)) = SHIPPED.iter().find(|(shipped, _)| *shipped == name) {
        return Ok(Checklist::parse(name, text)?);
    }
    let path = plan.parent().unwrap_or(Path::new("")).join(name);
    let text = backwall_store::small_file::text(&path).with_context(|| {
        let shipped: Vec<_> = SHIPPED.iter().map(|(name, _)| *name).collect();
        format!(
            "{}: job.checklist names '{name}', which is neither a checklist that comes with the program ({}) nor a file that can be \
             read ({})",
            plan.display(),
            shipped.join(", "),
            path.display()
        )
    })?;
    Ok(Checklist::parse(&path.to_string_lossy(), &text)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_template_reads_and_holds_the_crawler_back() {
        for (name, _) in SHIPPED {
            let checklist = checklist(name, Path::new("plan.toml")).unwrap();
            assert_eq!(&checklist.name, name);
            assert!(checklist.items.iter().any(|item| item.hold));
            assert!(checklist.items.iter().all(|item| item.reference.is_some()), "each says where it comes from, or that it has no source");
            // A job file keeps it as JSON.
            let kept = serde_json::to_string(&checklist).unwrap();
            assert_eq!(serde_json::from_str::<Checklist>(&kept).unwrap(), checklist);
        }
    }

    #[test]
    fn a_template_that_is_not_there_is_named_with_the_plan_that_wants_it() {
        let said = format!("{:#}", checklist("no-such.toml", Path::new("jobs/plan.toml")).unwrap_err());
        assert!(said.contains("plan.toml") && said.contains("no-such.toml") && said.contains("magnetic-crawler"), "{said}");
    }
}
