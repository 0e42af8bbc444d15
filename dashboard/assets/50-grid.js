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
  cells.RunName = (props) =>
    React.createElement("a", { href: LS.runPath(props.data.run), onClick: open(props.data.run), tabIndex: -1 }, String(props.value || "no name"));
  cells.RunLength = (props) => React.createElement("span", null, props.data.lasted);
  cells.EventLink = (props) =>
    React.createElement("button", { type: "button", className: "as-link", onClick: () => LS.showEvent(props.data) }, LS.seconds(props.value, 0.001));

  functions.livesenseOpenRun = (params) => {
    if (params.event && params.event.key === "Enter") LS.go(LS.runPath(params.data.run));
  };
  functions.livesenseOpenEvent = (params) => {
    if (params.event && params.event.key === "Enter") LS.showEvent(params.data);
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
