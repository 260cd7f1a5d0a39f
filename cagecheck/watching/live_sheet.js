// A page without a model that follows a watch.

follow("", () => {});
