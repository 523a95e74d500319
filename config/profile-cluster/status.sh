#!/bin/sh
# Print what became of a Slurm job: success, failed or running. A job that Slurm has forgotten has ended well or left
# its outputs out; the workflow engine looks for those itself.
case $(scontrol show job --oneliner "$1" 2>/dev/null | sed -n 's/.* JobState=\([A-Z_]*\).*/\1/p') in
COMPLETED | '') echo success ;;
PENDING | CONFIGURING | RUNNING | COMPLETING | SUSPENDED) echo running ;;
*) echo failed ;;
esac
