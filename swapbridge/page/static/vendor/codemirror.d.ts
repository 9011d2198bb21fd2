export * from "../../../../.ci/page/codemirror.js";
