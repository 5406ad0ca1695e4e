//! (contract; the stream branch replaces this)
#[derive(Debug, Clone, PartialEq)]
pub enum StreamSpec { Serial{port:String, baud:Option<u32>}, Tcp{host:String,port:u16}, File(std::path::PathBuf), Stdin }
impl std::str::FromStr for StreamSpec { type Err = String; fn from_str(_: &str) -> Result<Self, String> { todo!() } }
impl std::fmt::Display for StreamSpec { fn fmt(&self, _: &mut std::fmt::Formatter<'_>) -> std::fmt::Result { todo!() } }
impl StreamSpec { pub fn is_live(&self)->bool { false } }
#[derive(Debug, Clone, Copy, PartialEq, clap::ValueEnum)]
pub enum Pace { Device, Max }
