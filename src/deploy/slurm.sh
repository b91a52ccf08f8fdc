#!/bin/bash
# One share of a manifest a task. On a folder that every node sees:
#   tiltworth batch plan /data/series --out /data/quality --manifest /data/manifest.json
#   sbatch --array=1-8 tiltworth.sh /data/manifest.json
# TILTWORTH_LEDGER=postgres://USER@HOST/DATABASE (its password in PGPASSWORD) lets all records meet in one ledger.
# A task whose node is lost is queued again by Slurm and skips what is done; so does the whole array, submitted again.
#SBATCH --job-name=tiltworth
#SBATCH --array=1-8
#SBATCH --nodes=1
#SBATCH --ntasks=1
#SBATCH --cpus-per-task=4
#SBATCH --requeue
#SBATCH --open-mode=append
set -eu
manifest=${1:?"usage: sbatch --array=1-N tiltworth.sh MANIFEST"}
export RAYON_NUM_THREADS=${SLURM_CPUS_PER_TASK:-1}
options=()
[ -z "${TILTWORTH_LEDGER:-}" ] || options+=(--ledger "$TILTWORTH_LEDGER")
# What the job may use, in MB, where it asked for memory.
[ "${SLURM_MEM_PER_NODE:-0}" = 0 ] || options+=(--memory-mb "$((SLURM_MEM_PER_NODE * 9 / 10))")
exec "${TILTWORTH:-tiltworth}" batch run "$manifest" "${options[@]}"
