# Sourced by check and demo. warm FOLDER: compile the simulation and the measuring code in two processes, one of
# which simulates and measures a small ticket. Messages go to FOLDER/log.
warm() {
  mkdir -p "$1"
  {
    python ci/compile_whole.py &
    glasswright rehearse "$1/night" --seed 7 --tickets 1 --megapixels 0.3 --f-number 2 --fault none
    # 13: the small ticket lacks shots
    glasswright run configs/plans/fixed_focal.yaml --stand "$1/night/stands/north_bench.yaml" --serial \
      --tickets "$1/night/tickets" --ledger "$1/bench.ledger" || [ $? = 13 ]
    wait
  } >"$1/log" 2>&1
}
