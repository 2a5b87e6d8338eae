// Pain from 0 to 10 in words first, and what follows from it. It holds or stops, never more.
const pain = (() => {
  const MOST = 5; // more than this stops, whatever a programme says

  // go, care or stop
  const zone = (value, plan) => (value > Math.min(plan.most, MOST) ? 'stop' : value > plan.safe ? 'care' : 'go');

  const worst = (...values) => {
    const told = values.filter(v => v != null);
    return told.length ? Math.max(...told) : null;
  };

  // What was felt in the foot, or the feet, of a line.
  const ofLine = (line, byFoot) =>
    line.both ? worst(byFoot.right, byFoot.left) : byFoot[line.side] ?? null;

  const feetOf = lines => ['right', 'left'].filter(side => lines.some(l => l.both || l.side === side));

  return { zone, worst, ofLine, feetOf };
})();
