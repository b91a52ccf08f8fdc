//! A cluster of two nodes on this machine, by Debian's Slurm: keys, ports, state and logs of its own, all below one folder.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, reason = "a test ends where it fails")]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Programs of the cluster, in the order in which they were started.
pub struct Cluster {
    home: PathBuf,
    daemons: Vec<(String, Child)>,
}

const NODES: usize = 2;

fn program(name: &str) -> Option<PathBuf> {
    let folders = std::env::var_os("PATH").map(|path| std::env::split_paths(&path).collect::<Vec<_>>());
    let more = ["/usr/sbin", "/usr/local/sbin", "/sbin"].map(PathBuf::from);
    folders.into_iter().flatten().chain(more).map(|folder| folder.join(name)).find(|path| path.is_file())
}

/// A port that nobody listens on in this moment.
fn port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

impl Cluster {
    /// Starts the cluster and waits until both nodes are idle.
    pub fn start(home: &Path) -> Result<Self, String> {
        let missing = ["munged", "slurmctld", "slurmd", "sbatch"].into_iter().find(|name| program(name).is_none());
        if let Some(missing) = missing {
            return Err(format!("{missing} is missing (tests/run installs Slurm and munge as root)"));
        }
        fs::create_dir_all(home.join("state")).unwrap();
        let key: Vec<u8> =
            (0..1024u32).flat_map(|at| (at.wrapping_mul(2_654_435_761) ^ std::process::id()).to_le_bytes()).collect();
        fs::write(home.join("munge.key"), key).unwrap();
        fs::set_permissions(home.join("munge.key"), fs::Permissions::from_mode(0o400)).unwrap();
        fs::write(home.join("slurm.conf"), configuration(home)?).unwrap();
        let mut cluster = Self { home: home.to_path_buf(), daemons: Vec::new() };
        let files = [
            "key-file=munge.key",
            "socket=munge.sock",
            "pid-file=munged.pid",
            "log-file=munged.log",
            "seed-file=munge.seed",
        ];
        let options = files.map(|option| {
            let (name, file) = option.split_once('=').unwrap();
            format!("--{name}={}", home.join(file).display())
        });
        cluster.daemon(
            "munged",
            &["--foreground".into(), "--force".into()].into_iter().chain(options).collect::<Vec<_>>(),
        )?;
        if !cluster.wait(Duration::from_secs(10), |cluster| cluster.home.join("munge.sock").exists()) {
            return Err(format!("munged does not answer: {}", cluster.told()));
        }
        cluster.daemon("slurmctld", &["-D".into()])?;
        for node in 1..=NODES {
            cluster.start_node(node)?;
        }
        let idle = |cluster: &Self| cluster.node_states().matches("idle").count() == NODES;
        if !cluster.wait(Duration::from_secs(30), idle) {
            return Err(format!("its nodes do not come up: {}", cluster.told()));
        }
        Ok(cluster)
    }

    /// Starts the daemon of a node.
    pub fn start_node(&mut self, node: usize) -> Result<(), String> {
        fs::create_dir_all(self.home.join(format!("spool.n{node}"))).unwrap();
        self.daemon("slurmd", &["-D".into(), "-N".into(), format!("n{node}")])
    }

    fn daemon(&mut self, name: &str, args: &[String]) -> Result<(), String> {
        let label = format!("{name}{}", args.last().filter(|_| name == "slurmd").cloned().unwrap_or_default());
        let log =
            || fs::OpenOptions::new().create(true).append(true).open(self.home.join(format!("{label}.out"))).unwrap();
        let mut command = self.command(name);
        let child = command.args(args).stdin(Stdio::null()).stdout(log()).stderr(log()).spawn();
        self.daemons.push((label, child.map_err(|error| format!("{name}: {error}"))?));
        Ok(())
    }

    /// A program that speaks to this cluster and to no other.
    pub fn command(&self, name: &str) -> Command {
        let mut command = Command::new(program(name).unwrap_or_else(|| name.into()));
        command.env("SLURM_CONF", self.home.join("slurm.conf"));
        command
    }

    fn asked(&self, name: &str, args: &[&str]) -> String {
        let output = self.command(name).args(args).stderr(Stdio::null()).output();
        output.map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned()).unwrap_or_default()
    }

    /// The nodes with their states, a line each.
    pub fn node_states(&self) -> String {
        self.asked("sinfo", &["-h", "-N", "-o", "%N %T"])
    }

    /// What waits or runs.
    pub fn queue(&self) -> String {
        self.asked("squeue", &["-h", "-o", "%i %T %N %r"])
    }

    /// Whether a task runs on a node.
    pub fn at_work(&self, node: usize) -> bool {
        self.tasks(node).len() >= 2
    }

    /// Keepers of steps on a node with all that they started.
    fn tasks(&self, node: usize) -> Vec<u32> {
        // A task knows its node; another cluster's tasks know another configuration.
        let wanted =
            [format!("SLURMD_NODENAME=n{node} "), format!("SLURM_CONF={} ", self.home.join("slurm.conf").display())];
        let task = |pid: u32| wanted.iter().all(|variable| environment(pid).contains(variable));
        let of_node = |keeper: &u32| children(*keeper).into_iter().any(task);
        let keepers = processes().into_iter().filter(|&pid| arguments(pid).starts_with("slurmstepd: ")).filter(of_node);
        keepers.flat_map(|keeper| [vec![keeper], below(keeper)].concat()).collect()
    }

    /// Ends a node with kill -9: its daemon, the keepers of its steps, and what they started. Gives how many there were.
    pub fn lose_node(&mut self, node: usize) -> usize {
        let label = format!("slurmdn{node}");
        let mut ended = 0;
        let at = self.daemons.iter().position(|(name, _)| *name == label).unwrap();
        let (_, mut daemon) = self.daemons.remove(at);
        let tasks = self.tasks(node);
        daemon.kill().unwrap();
        daemon.wait().unwrap();
        ended += 1;
        for pid in tasks {
            ended += usize::from(kill(pid));
        }
        ended
    }

    /// Asks until something holds; false where it never did.
    pub fn wait(&self, long: Duration, holds: impl Fn(&Self) -> bool) -> bool {
        let begun = Instant::now();
        while begun.elapsed() < long {
            if holds(self) {
                return true;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        holds(self)
    }

    /// The controller's log.
    pub fn log(&self) -> String {
        fs::read_to_string(self.home.join("slurmctld.out")).unwrap_or_default()
    }

    /// What can be told of the cluster where something went wrong.
    pub fn told(&self) -> String {
        let last = |name: &str| {
            let text = fs::read_to_string(self.home.join(name)).unwrap_or_default();
            let lines: Vec<&str> = text.lines().rev().take(8).collect();
            format!("\n-- {name}\n{}", lines.into_iter().rev().collect::<Vec<_>>().join("\n"))
        };
        let logs: String = ["munged.log", "slurmctld.out", "slurmdn1.out", "slurmdn2.out"].map(last).concat();
        format!("nodes: {}; queue: {}{logs}", self.node_states(), self.queue())
    }

    /// Ends the cluster; gives what is left of it.
    pub fn end(mut self) -> Vec<String> {
        self.stop();
        let mine = self.home.to_string_lossy().into_owned();
        let own = std::process::id();
        let of_mine = |pid: &u32| *pid != own && (arguments(*pid).contains(&mine) || environment(*pid).contains(&mine));
        processes().into_iter().filter(of_mine).map(arguments).collect()
    }

    fn stop(&mut self) {
        let _ = self.asked("scancel", &["--me"]);
        let tasks: Vec<u32> = (1..=NODES).flat_map(|node| self.tasks(node)).collect();
        for pid in tasks {
            kill(pid);
        }
        // The last that was started goes first.
        while let Some((_, mut daemon)) = self.daemons.pop() {
            for pid in below(daemon.id()) {
                kill(pid);
            }
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        self.stop();
    }
}

fn configuration(home: &Path) -> Result<String, String> {
    let host = fs::read_to_string("/proc/sys/kernel/hostname").map_err(|error| error.to_string())?;
    let host = host.trim().split('.').next().unwrap_or_default().to_owned();
    let home = home.display();
    let [controller, first, second] = [port(), port(), port()];
    Ok(format!(
        "ClusterName=tiltworth\nSlurmctldHost={host}(127.0.0.1)\nSlurmctldPort={controller}\n\
         AuthType=auth/munge\nCredType=cred/munge\nAuthInfo=socket={home}/munge.sock,cred_expire=5\n\
         SlurmUser=root\nSlurmdUser=root\nStateSaveLocation={home}/state\nSlurmdSpoolDir={home}/spool.%n\n\
         SlurmctldPidFile={home}/slurmctld.pid\nSlurmdPidFile={home}/slurmd.%n.pid\n\
         ProctrackType=proctrack/linuxproc\nTaskPlugin=task/none\nSelectType=select/cons_tres\nSelectTypeParameters=CR_CPU\n\
         SwitchType=switch/none\nMpiDefault=none\nJobAcctGatherType=jobacct_gather/none\n\
         AccountingStorageType=accounting_storage/none\nReturnToService=2\nSlurmdTimeout=3\nMessageTimeout=5\n\
         SlurmdParameters=config_overrides\nSchedulerParameters=sched_interval=2,batch_sched_delay=1\n\
         NodeName=n1 NodeHostname={host} NodeAddr=127.0.0.1 Port={first} CPUs=1\n\
         NodeName=n2 NodeHostname={host} NodeAddr=127.0.0.1 Port={second} CPUs=1\n\
         PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP\n"
    ))
}

fn processes() -> Vec<u32> {
    let entries = fs::read_dir("/proc").unwrap().flatten();
    entries.filter_map(|entry| entry.file_name().to_str()?.parse().ok()).collect()
}

/// Command line of a process, its parts joined by blanks; empty where it has ended.
fn arguments(pid: u32) -> String {
    let text = fs::read(format!("/proc/{pid}/cmdline")).unwrap_or_default();
    String::from_utf8_lossy(&text).replace('\0', " ")
}

/// Environment of a process, each variable followed by a blank.
fn environment(pid: u32) -> String {
    let text = fs::read(format!("/proc/{pid}/environ")).unwrap_or_default();
    String::from_utf8_lossy(&text).replace('\0', " ")
}

fn children(pid: u32) -> Vec<u32> {
    let threads = fs::read_dir(format!("/proc/{pid}/task")).into_iter().flatten().flatten();
    let of = |thread: fs::DirEntry| fs::read_to_string(thread.path().join("children")).unwrap_or_default();
    threads
        .flat_map(|thread| of(thread).split_whitespace().filter_map(|pid| pid.parse().ok()).collect::<Vec<_>>())
        .collect()
}

/// All that a process started, and what that started.
fn below(pid: u32) -> Vec<u32> {
    let own = children(pid);
    let further: Vec<u32> = own.iter().flat_map(|&child| below(child)).collect();
    [own, further].concat()
}

fn kill(pid: u32) -> bool {
    Command::new("kill")
        .args(["-9", &pid.to_string()])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}
