/* Cells of the tables; what they show is text, what they link to is made from numbers. */
(function () {
  "use strict";
  const LS = window.livesense;
  const cells = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});
  const functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});

  function open(run) {
    return (event) => {
      if (event.metaKey || event.ctrlKey || event.shiftKey) return;
      event.preventDefault();
      LS.go(LS.runPath(run));
    };
  }

  cells.RunLink = (props) =>
    React.createElement("a", { href: LS.runPath(props.data.run), onClick: open(props.data.run) }, String(props.value));
  /** In narrow windows the second line, hidden otherwise, carries what has no column there. */
  cells.RunName = (props) => {
    const { run, started, lasted, state, events, lost, found } = props.data;
    const link = React.createElement("a", { href: LS.runPath(run), onClick: open(run), tabIndex: -1 }, String(props.value || "no name"));
    return React.createElement("div", { className: "run-name" }, link, React.createElement("small", { className: "run-more" }, `${started} · ${lasted} · ${state} · events: ${events} · scans lost: ${lost}`),
      found ? React.createElement("small", { className: "run-found" }, found) : null);
  };
  cells.RunLength = (props) => React.createElement("span", null, props.data.lasted);

  functions.livesenseOpenRun = (params) => {
    if (params.event && params.event.key === "Enter") LS.go(LS.runPath(params.data.run));
  };
  const WIDE_ONLY = ["started", "seconds", "state", "channels", "events", "lost"];
  const fitted = new WeakMap();
  /** Narrow windows get fewer columns instead of cut ones; the width is that of the style sheet's narrow part. */
  functions.livesenseFitRuns = ({ api }) => {
    const narrow = window.matchMedia("(max-width: 900px)").matches;
    if (fitted.get(api) === narrow) return;
    fitted.set(api, narrow);
    api.setColumnsVisible(WIDE_ONLY, !narrow);
  };
  /** The page's own colours: they follow light and dark by themselves. */
  functions.livesenseGrid = (theme) =>
    theme.withParams({
      backgroundColor: "var(--paper)", foregroundColor: "var(--ink)", textColor: "var(--ink)", headerBackgroundColor: "var(--paper)",
      headerTextColor: "var(--ink-2)", borderColor: "var(--line)", rowHoverColor: "var(--raised)", oddRowBackgroundColor: "var(--paper)",
      accentColor: "var(--ink)", fontFamily: "inherit", fontSize: 14, wrapperBorder: false, headerColumnBorder: false,
      headerFontWeight: 600, cellHorizontalPadding: 12, browserColorScheme: "inherit",
    });
})();
